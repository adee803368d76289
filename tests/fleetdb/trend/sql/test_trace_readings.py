from __future__ import annotations

from itertools import permutations
from typing import Any
from uuid import UUID

import pytest

from fleetdb.records.documents import Kind, TestRecord
from fleetdb.records.parsing import parse_document
from fleetdb.records.trace_readings import FigureSource, TraceReadings, fill
from fleetdb.trend import queries
from fleetdb.trend.series import keep_readings
from tests.fleetdb.trend.small_tables import connect, day, record


def trace(n: int, record_id: str = "r", **fields: Any) -> dict[str, Any]:
    return {"trace_id": f"{UUID(int=n)}", "record_id": record_id, "vehicle": "V1", **fields}


def proof(bar: float, sd_bar: float) -> dict[str, Any]:
    return {"proof_target_bar": 700.0, "proof_actual_bar": bar, "proof_sd_bar": sd_bar}


def build(rate: float, sd: float) -> dict[str, Any]:
    return {
        "build_rate_bar_per_s": rate,
        "build_sd_bar_per_s": sd,
        "build_from_bar": 140.0,
        "build_to_bar": 490.0,
    }


def answer(*rows: dict[str, Any]) -> list[dict[str, Any]]:
    with connect(trace_figures=rows) as connection:
        found = queries.answer(connection, "trace_readings").to_pylist()
    return sorted(found, key=lambda row: row["record_id"])


def test_the_least_uncertain_trace_fills_each_figure() -> None:
    rows = (
        trace(1, **proof(640.0, 3.0), **build(400.0, 2.0)),
        trace(2, **proof(650.0, 1.0), **build(410.0, 9.0)),
        trace(3, fuel_temp_c=20.0),
        trace(4, "other", crank_rpm=190.0, fuel_temp_c=30.0),
    )

    first, second = sorted(answer(*rows), key=lambda row: row["record_id"], reverse=True)

    assert first["proof"]["actual_bar"] == 650.0
    assert first["build"] == {"rate_bar_per_s": 400.0, "from_bar": 140.0, "to_bar": 490.0}
    assert first["fuel_temp_c"] == 20.0
    assert (second["proof"], second["build"], second["crank_rpm"]) == (None, None, 190.0)


def test_sql_and_python_choose_the_same_in_whatever_order_traces_come() -> None:
    rows = [
        trace(1, **proof(640.0, 1.0), **build(400.0, 2.0)),
        trace(2, **proof(650.0, 1.0)),
        trace(3, **proof(0.0, 5.0), **build(390.0, 1.0)),
        trace(4),
    ]
    bare = parse_document(
        Kind.TEST_RECORDS,
        {
            "record_id": str(UUID(int=9)),
            "vehicle": "V1",
            "performed_at": "2024-01-05T00:00:00Z",
            "traces_follow": True,
        },
    )
    assert isinstance(bare, TestRecord)
    for order in permutations(rows):
        [by_sql] = answer(*order)
        filled = fill(
            bare,
            [
                (
                    FigureSource(UUID(row["trace_id"]), 1),
                    TraceReadings(**{k: v for k, v in row.items() if k.startswith(("p", "b"))}),
                )
                for row in order
            ],
        )
        assert filled.record.proof is not None
        assert filled.record.build is not None
        assert filled.record.proof.model_dump() == by_sql["proof"]
        assert filled.record.build.model_dump() == by_sql["build"]
        assert filled.sources["proof_ratio"].trace_id == UUID(int=1)
        assert filled.sources["build_rate_bar_per_s"].trace_id == UUID(int=3)


def test_a_record_without_figures_of_its_own_has_its_traces() -> None:
    sent = record("V1", 5, 0.9, rate_bar_per_s=300.0, from_bar=70.0, to_bar=350.0)
    bare = {**record("V1", 6), "fuel_temp_c": None}
    rows = [
        trace(n, row["record_id"], fuel_temp_c=25.0, **proof(560.0, 1.0), **build(420.0, 1.0))
        for n, row in enumerate((sent, bare))
    ]
    with connect(test_records=[sent, bare], trace_figures=rows) as connection:
        keep_readings(connection, day(400))
        first, second = (
            connection.sql("FROM readings ORDER BY performed_at").to_arrow_table().to_pylist()
        )

    assert first["proof_ratio"] == pytest.approx(0.9)
    assert (first["rate_bar_per_s"], first["fuel_temp_c"]) == (300.0, 40.0)
    assert first["to_share"] == pytest.approx(0.5)
    assert second["proof_ratio"] == pytest.approx(0.8)
    assert (second["rate_bar_per_s"], second["fuel_temp_c"]) == (420.0, 25.0)
    assert (second["from_share"], second["to_share"]) == (pytest.approx(0.2), pytest.approx(0.7))
