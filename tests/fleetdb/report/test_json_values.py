"""Values of a table as JSON values."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta, timezone

from fleetdb.report.json_values import json_value


def test_times_are_rfc_3339_in_utc() -> None:
    # RFC 3339 section 5.8: 1996-12-19T16:39:57-08:00 is 1996-12-20T00:39:57Z.
    pacific = timezone(timedelta(hours=-8))
    assert json_value(datetime(1996, 12, 19, 16, 39, 57, tzinfo=pacific)) == "1996-12-20T00:39:57Z"
    assert json_value(datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC)) == "1996-12-20T00:39:57Z"
    bare = datetime(1996, 12, 20, 0, 39, 57)  # noqa: DTZ001 - as tables hold it
    assert json_value(bare) == "1996-12-20T00:39:57Z"


def test_what_json_cannot_say_is_null() -> None:
    values = {"a": [float("nan"), float("inf")], "b": {"c": (date(2025, 3, 1), None, 1.5, "x")}}
    told = json_value(values)
    assert told == {"a": [None, None], "b": {"c": ["2025-03-01", None, 1.5, "x"]}}
    json.dumps(told, allow_nan=False)
