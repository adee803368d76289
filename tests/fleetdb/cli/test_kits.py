"""`fleetdb kits` lists how kits read by the verdicts last published."""

from __future__ import annotations

import json
from typing import Any

import pyarrow as pa
import pytest

from fleetdb.trend.kit_table import KITS
from fleetdb.warehouse.snapshot import publish
from tests.fleetdb.cli.conftest import Run


@pytest.fixture
def tested(fleet: Any) -> Any:
    fleet.add_records(60)
    return fleet


def test_before_anything_was_published_it_says_what_to_do(run: Run, tested: Any) -> None:
    ran = run("kits")

    assert ran.code == 1
    assert "assess" in ran.err


def test_every_kit_is_listed_with_its_tests_on_demand(run: Run, tested: Any) -> None:
    assert run("assess").code == 0
    table, told = run("kits", "--all"), run("kits", "--all", "--format", "json")

    assert (table.code, table.err) == (0, "")
    assert table.out.startswith("As of ")
    listed = json.loads(told.out)["kits"]
    # Sixty records in turn with two kits, every fifth one without any.
    assert {kit["kit"]: kit["n_tests"] for kit in listed} == {"Kit 0": 24, "Kit 1": 24}
    assert all(kit["bias_pct"] is not None and kit["kit"] in table.out for kit in listed)


def test_without_all_only_kits_that_read_off_are_listed(run: Run, tested: Any) -> None:
    rows = [
        {"kit": "Kit 0", "bias_pct": 0.2, "sd_bias_pct": 0.3, "reads_off": False},
        {"kit": "Kit 1", "bias_pct": -6.1, "sd_bias_pct": 0.4, "reads_off": True},
    ]
    kits = pa.Table.from_pylist(rows, KITS)
    publish(tested.home, tested.fleet_id, {"kits": kits}, {"as_of": "2025-04-01T00:00:00Z"})
    table, told = run("kits"), run("kits", "--format", "json")

    assert [kit["kit"] for kit in json.loads(told.out)["kits"]] == ["Kit 1"]
    assert json.loads(told.out)["as_of"] == "2025-04-01T00:00:00Z"
    assert "-6.1 ± 0.4 %" in table.out
    assert "Kit 0" not in table.out
