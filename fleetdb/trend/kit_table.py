"""Kits as tables: what each reads now, and the history a single vehicle's verdict needs."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from fleetdb.trend.beliefs import Floats
from fleetdb.trend.filtering import DAYS_PER_YEAR
from fleetdb.trend.kits import KitBias
from fleetdb.trend.series import EPOCH, Series

KITS = pa.schema(
    [
        ("kit", pa.string()),
        ("bias_pct", pa.float64()),
        ("sd_bias_pct", pa.float64()),
        ("probability_off", pa.float64()),
        ("reads_off", pa.bool_()),
        ("off_since", pa.timestamp("us")),
        ("n_tests", pa.int64()),
        ("last_test_at", pa.timestamp("us")),
        ("verdicts_touched", pa.int64()),
    ]
)
KIT_BIAS = pa.schema(
    [
        ("kit", pa.string()),
        ("at_y", pa.float64()),
        ("ln_bias", pa.float64()),
        ("var_ln_bias", pa.float64()),
        ("p_off", pa.float64()),
    ]
)

NAMED_AT = 0.8
"""Probability of being off by more than 2.5 % at which a kit is named."""
_TOUCHES_Y = 1.0
"""A verdict rests on the tests of so long, more or less."""


def kits_table(
    bias: KitBias, kit_names: list[str], families: list[Series], now_y: float
) -> pa.Table:
    """Return one row per kit with a usable test: how it reads now, and since when.

    Now is after its last test or calibration: one calibrated since it was last used is not
    held to what it read before. ``verdicts_touched`` counts the pumps still fitted that were
    tested with it in the year before ``now_y`` [y], or since it began to read off if that was
    earlier.
    """
    n_kits = len(kit_names)
    offsets = np.searchsorted(bias.kit, np.arange(n_kits + 1))
    n_tests, last_test_y = _tests(n_kits, families)
    touches_from_y = np.full(n_kits, now_y - _TOUCHES_Y)
    rows: dict[int, dict[str, Any]] = {}
    for k, name in enumerate(kit_names):
        a, z = int(offsets[k]), int(offsets[k + 1])
        if a == z or n_tests[k] == 0:
            continue
        named = bias.p_off[a:z] >= NAMED_AT
        off_since = None
        if named[-1]:
            honest = np.flatnonzero(~named)
            first = int(honest[-1]) + 1 if len(honest) else 0
            off_since = moment_of(bias.at_y[a + first])
            touches_from_y[k] = min(touches_from_y[k], bias.at_y[a + first])
        rows[k] = {
            "kit": name,
            "bias_pct": 100 * float(np.expm1(bias.ln_bias[z - 1])),
            "sd_bias_pct": 100 * float(np.sqrt(bias.var_ln_bias[z - 1])),
            "probability_off": float(bias.p_off[z - 1]),
            "reads_off": bool(named[-1]),
            "off_since": off_since,
            "n_tests": int(n_tests[k]),
            "last_test_at": moment_of(last_test_y[k]),
        }
    touched = _verdicts_touched(touches_from_y, families)
    by_name = sorted(rows.items(), key=lambda item: item[1]["kit"])
    return pa.Table.from_pylist(
        [{**row, "verdicts_touched": int(touched[k])} for k, row in by_name], schema=KITS
    )


def _tests(n_kits: int, families: list[Series]) -> tuple[NDArray[np.int64], Floats]:
    """Return how many usable ratios each kit took, and when the last one. [y]"""
    n_tests, last_y = np.zeros(n_kits, dtype=np.int64), np.full(n_kits, -np.inf)
    for series in families:
        used = (series.kit >= 0) & ~np.isnan(series.readings.ln_ratio)
        n_tests += np.bincount(series.kit[used], minlength=n_kits)
        np.maximum.at(last_y, series.kit[used], series.readings.at_y[used])
    return n_tests, last_y


def _verdicts_touched(from_y: Floats, families: list[Series]) -> NDArray[np.int64]:
    """Return how many present pumps have a reading of each kit, of its ``from_y`` or later."""
    touched = np.zeros(len(from_y), dtype=np.int64)
    for whole in families:
        series = whole.of_present_pumps()
        pump = np.repeat(np.arange(series.n_pumps), np.diff(series.offsets))
        own = series.readings
        used = (series.kit >= 0) & ~(np.isnan(own.ln_ratio) & np.isnan(own.ln_build))
        kit, pump, at_y = series.kit[used], pump[used], own.at_y[used]
        late = at_y >= from_y[kit]
        once = np.unique(kit[late] * series.n_pumps + pump[late])
        touched += np.bincount(once // max(series.n_pumps, 1), minlength=len(from_y))
    return touched


def moment_of(at_y: float) -> datetime:
    """Return the time, bare UTC, of a number of years since ``series.EPOCH``."""
    return (EPOCH + np.timedelta64(round(at_y * DAYS_PER_YEAR * 86_400e6), "us")).astype(object)


def kit_bias_table(bias: KitBias, kit_names: list[str]) -> pa.Table:
    """Return the bias at each test as a table, kits by name."""
    names = pa.array(kit_names, pa.string()).take(pa.array(bias.kit))
    return pa.table([names, bias.at_y, bias.ln_bias, bias.var_ln_bias, bias.p_off], schema=KIT_BIAS)


def kit_bias_from_table(table: pa.Table, kit_names: list[str]) -> KitBias:
    """Return the biases of the kits named, numbered as in ``kit_names``."""
    number = pc.index_in(table["kit"], pa.array(kit_names, pa.string())).fill_null(-1)  # pyright: ignore[reportAttributeAccessIssue]
    kit = number.to_numpy().astype(np.int64)
    own = np.flatnonzero(kit >= 0)
    at_y = table["at_y"].to_numpy()
    order = own[np.lexsort((at_y[own], kit[own]))]
    return KitBias(
        kit=kit[order],
        at_y=at_y[order],
        ln_bias=table["ln_bias"].to_numpy()[order],
        var_ln_bias=table["var_ln_bias"].to_numpy()[order],
        p_off=table["p_off"].to_numpy()[order],
    )
