"""What traces say reaches the verdicts: figures as if sent, and evidence of the cause."""

from __future__ import annotations

from typing import Any

from fleetdb.trend.pipeline import assess
from tests.fleetdb.trend.small_tables import Row, assert_same, connect, day, leak, record, vehicle

FALLING = (0.94, 0.94, 0.92, 0.88, 0.80, 0.72, 0.62, 0.55)


def judged(**rows: Any) -> dict[str, Row]:
    with connect(**rows) as connection:
        verdicts = assess(connection, day(300)).verdicts
    return {row["vehicle"]: row for row in verdicts.to_pylist()}


def visits(name: str, *values: float, **fields: Any) -> list[Row]:
    return [
        record(name, 10 + 40 * n, ratio, rate_bar_per_s=420.0 * ratio, **fields)
        for n, ratio in enumerate(values)
    ]


def trace_of(test: Row, **fields: Any) -> Row:
    named = {name: test[name] for name in ("record_id", "vehicle")}
    return {"trace_id": "t" + test["record_id"], **named, **fields}


def test_a_pump_whose_figures_come_by_trace_is_judged_as_if_they_had_been_sent() -> None:
    sent = visits("V1", *FALLING, from_bar=140.0, to_bar=490.0)
    taken = ("duty_pct", "target_bar", "actual_bar", "rate_bar_per_s", "from_bar", "to_bar")
    bare = [{k: v for k, v in test.items() if k not in (*taken, "fuel_temp_c")} for test in sent]
    traces = [
        trace_of(
            test,
            proof_duty_pct=test["duty_pct"],
            proof_target_bar=test["target_bar"],
            proof_actual_bar=test["actual_bar"],
            proof_sd_bar=1.0,
            build_rate_bar_per_s=test["rate_bar_per_s"],
            build_sd_bar_per_s=2.0,
            build_from_bar=test["from_bar"],
            build_to_bar=test["to_bar"],
            fuel_temp_c=test["fuel_temp_c"],
        )
        for test in sent
    ]

    by_hand = judged(test_records=sent)["V1"]
    by_trace = judged(test_records=bare, trace_figures=traces)["V1"]

    assert by_hand["state"] in ("book_in", "stand_down")
    assert_same(by_hand, by_trace)
    assert judged(test_records=bare)["V1"]["n_tests"] == 0


def test_a_weak_element_is_told_and_raises_the_pumps_share() -> None:
    tests = visits("V1", *FALLING)
    seen = {"strokes_told_apart": True, "weak_element": 3, "weak_element_share": 0.6}

    plain = judged(test_records=tests)["V1"]
    weak = judged(test_records=tests, trace_figures=[trace_of(tests[-1], **seen)])["V1"]

    assert weak["share_pump_wear"] > plain["share_pump_wear"]
    assert (weak["weak_element"], weak["weak_element_share"]) == (3, 0.6)
    assert "number 3 in its trace" in weak["reasons"]
    assert plain["weak_element"] is None


def test_a_rail_that_does_not_hold_although_the_injectors_do_is_the_regulators() -> None:
    names = [f"V{n}" for n in range(1, 6)]
    even = leak(60, 400, 20.0, 20.0, 20.0, 20.0)
    fallen = visits("V1", 0.94, 0.94, 0.93, 0.88, 0.80, 0.74, 0.70, **even)
    others = [test for name in names[1:] for test in visits(name, *[0.94] * 7, **even)]
    # Every vehicle was held once; the first loses three times what the others do.
    last = {test["vehicle"]: test for test in [*others, *fallen]}
    holds = [
        trace_of(test, kind="hold", hold_leak_ml_per_min=240.0 if name == "V1" else 80.0)
        for name, test in last.items()
    ]
    rows = {"vehicles": [vehicle(name) for name in names], "test_records": [*fallen, *others]}

    plain, held = judged(**rows)["V1"], judged(**rows, trace_figures=holds)["V1"]

    assert plain["leading_cause"] == "pump_wear"
    assert held["leading_cause"] == "regulator_or_rail_leak"
    assert held["hold_leak_times_usual"] == 3.0
    assert "closed rail loses 3.0 times the usual" in held["reasons"]
    assert plain["state"] == held["state"]
