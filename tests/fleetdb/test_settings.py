"""The intervals of planned tests, as settings."""

from __future__ import annotations

import pytest

from fleetdb.errors import SettingError
from fleetdb.settings import Settings

SHORTEST, LONGEST = "FLEETDB_SHORTEST_TEST_INTERVAL_D", "FLEETDB_LONGEST_TEST_INTERVAL_D"


def test_intervals_are_days_and_go_with_the_settings_to_another_process() -> None:
    settings = Settings.from_environment({SHORTEST: "14", LONGEST: "365"})
    assert (settings.shortest_test_interval_d, settings.longest_test_interval_d) == (14, 365)
    assert Settings.from_environment(settings.environment()) == settings


@pytest.mark.parametrize("text", ["0", "1096", "-3", "1.5", "monthly"])
@pytest.mark.parametrize("name", [SHORTEST, LONGEST])
def test_an_interval_that_is_none_is_refused_by_name(name: str, text: str) -> None:
    with pytest.raises(SettingError, match=name):
        Settings.from_environment({name: text})


def test_the_longest_may_not_be_less_than_the_shortest() -> None:
    with pytest.raises(SettingError, match=f"{LONGEST} is 20, less than {SHORTEST}"):
        Settings.from_environment({LONGEST: "20"})
