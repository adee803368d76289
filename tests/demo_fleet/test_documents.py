from datetime import date

import pytest

from demo_fleet.documents import family_document, moment
from demo_fleet.scenario import FAMILIES
from fleetdb.records.documents import Kind
from fleetdb.records.parsing import parse_document
from fleetdb.timestamps import parse_rfc3339


def test_one_moment_is_the_same_in_every_zone():
    texts = [moment(date(2024, 3, 1), 2.25, offset_h) for offset_h in (0, 1, 2)]
    assert texts == [
        "2024-03-03T06:00:00Z", "2024-03-03T07:00:00+01:00", "2024-03-03T08:00:00+02:00",
    ]  # fmt: skip
    assert len({parse_rfc3339(text) for text in texts}) == 1


def test_days_before_the_history_are_dates_before_it():
    assert moment(date(2024, 3, 1), -1.0) == "2024-02-29T00:00:00Z"


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.name)
def test_families_are_documents_of_the_contract(family):
    parsed = parse_document(Kind.PUMP_FAMILIES, family_document(family))
    assert parsed.model_dump()["proof_ratio_limit"] == family.proof_ratio_limit
