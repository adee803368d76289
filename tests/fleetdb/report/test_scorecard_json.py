from __future__ import annotations

import json

from fleetdb.report.scorecard_json import scorecard_json
from fleetdb.trend.scorecard import Scorecard
from tests.fleetdb.report.test_scorecard_table import CALIBRATION, CALLS, FAILURES, NOTHING


def test_every_figure_is_a_json_value() -> None:
    told = json.loads(
        json.dumps(scorecard_json(Scorecard(FAILURES, CALLS, 50.0, CALIBRATION)), allow_nan=False)
    )

    assert told["failures"] == {
        "caught": 2,
        "missed": 1,
        "notice_days": {"p25": 70.0, "p50": 80.0, "p75": 90.0},
    }
    assert told["calls"] == {
        "right": 2,
        "cause_found": 1,
        "false": 1,
        "open": 1,
        "pump_years": 50.0,
        "false_per_100_pump_years": 2.0,
    }
    families = {row["pump_family"]: row for row in told["by_pump_family"]}
    assert (families["a"]["caught"], families["b"]["missed"]) == (2, 1)
    assert families["a"]["notice_days_p75"] == 90
    assert told["calibration"]["brier"] == 0.02
    assert told["calibration"]["reliability"][1]["observed"] == 0.6
    assert told["limit_dates"]["share_covered"] == 0.75


def test_what_is_not_known_is_null() -> None:
    told = scorecard_json(Scorecard(FAILURES.clear(), CALLS.clear(), 0.0, NOTHING))

    assert told["failures"]["notice_days"] is None
    assert told["calls"]["false_per_100_pump_years"] is None
    assert told["calibration"]["brier"] is None
    assert told["limit_dates"]["share_covered"] is None
