from __future__ import annotations

from typing import Any

import pytest

from fleetdb.errors import InvalidInputError
from fleetdb.records.documents import Kind
from fleetdb.trace.figures import METHOD


def test_it_says_how_many_traces_have_new_figures(run: Any, fleet: Any) -> None:
    (record_id,) = fleet.add_records(1)
    fleet.add_trace(record_id)
    # Settings that reach back: the same trace is measured by another target.
    family = {"pump_family": "fam-a", "rail_max_bar": 1600, "proof_duty_pct": 45}
    family |= {"proof_target_bar": 650, "cylinders": 4, "proof_ratio_limit": 0.8}
    family |= {"reference_fuel_temp_c": 40, "reference_crank_rpm": 200}
    fleet.accept(Kind.PUMP_FAMILIES, [{**family, "applies_from": "2024-06-01"}])

    first, again = run("recompute"), run("recompute")

    assert (first.code, again.code) == (0, 0)
    assert first.out == f"method {METHOD}: 1 traces with new figures, 0 as they were, 0 refused\n"
    assert again.out == f"method {METHOD}: 0 traces with new figures, 1 as they were, 0 refused\n"


def test_traces_that_are_refused_are_named(
    run: Any, fleet: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    (record_id,) = fleet.add_records(1)
    trace_id = fleet.add_trace(record_id)

    def refusing(*_: Any) -> Any:
        raise InvalidInputError.at("/rail_bar", "no longer taken")

    monkeypatch.setattr("fleetdb.store.trace_recomputing.findings_of", refusing)
    result = run("recompute")

    assert result.code == 3
    assert "0 as they were, 1 refused" in result.out
    assert f"trace {trace_id} of record {record_id}" in result.err
    assert "no longer taken" in result.err
