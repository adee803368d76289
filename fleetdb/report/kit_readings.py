"""How the kits of a fleet read, by the newest snapshot: which are off, and each one's past."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import polars as pl

from fleetdb.store.kit_calibrations import NamedKit
from fleetdb.trend.kit_table import NAMED_AT, moment_of


@dataclass(frozen=True, slots=True)
class KitReading:
    """One kit: its name and last calibration, and the snapshot's row of it.

    ``judged`` has the columns of ``fleetdb.trend.kit_table.KITS``; None where no usable test
    was taken with the kit yet.
    """

    named: NamedKit
    judged: Mapping[str, Any] | None


@dataclass(frozen=True, slots=True)
class KitReadings:
    """All kits of a fleet by how they read."""

    off: list[KitReading]
    """Those that read off, the farthest off first."""
    true: list[KitReading]
    """Those that read true as far as can be told, by name."""
    not_known: list[KitReading]
    """Those of which no test says anything yet, by name."""


@dataclass(frozen=True, slots=True)
class KitMoment:
    """How a kit read at one of its tests or calibrations."""

    at: datetime
    bias_pct: float
    """What it adds to every pressure: negative reads low. [%]"""
    sd_bias_pct: float
    probability_off: float
    """Chance that it is off by more than 2.5 %. [-]"""

    @property
    def reads_off(self) -> bool:
        return self.probability_off >= NAMED_AT


def kit_readings(named: Sequence[NamedKit], judged: pl.DataFrame | None) -> KitReadings:
    """Join the kits by name with how they read; ``judged`` is None before the first snapshot."""
    rows = {} if judged is None else {row["kit"]: row for row in judged.iter_rows(named=True)}
    kits = [KitReading(kit, rows.get(kit.kit)) for kit in named]
    off = [kit for kit in kits if kit.judged is not None and kit.judged["reads_off"]]
    return KitReadings(
        off=sorted(off, key=lambda kit: -abs(kit.judged["bias_pct"]) if kit.judged else 0.0),
        true=[kit for kit in kits if kit.judged is not None and not kit.judged["reads_off"]],
        not_known=[kit for kit in kits if kit.judged is None],
    )


def kit_past(bias: pl.DataFrame) -> list[KitMoment]:
    """Return a kit's past in time order; ``bias`` are its rows of the table ``kit_bias``."""
    return [
        KitMoment(
            at=moment_of(row["at_y"]),
            bias_pct=100 * float(np.expm1(row["ln_bias"])),
            sd_bias_pct=100 * float(np.sqrt(row["var_ln_bias"])),
            probability_off=row["p_off"],
        )
        for row in bias.sort("at_y").iter_rows(named=True)
    ]


def last_of_each_month(past: Sequence[KitMoment]) -> list[KitMoment]:
    """Return the last moment of each month that has one, the latest month first."""
    months = {(moment.at.year, moment.at.month): moment for moment in past}
    return list(reversed(months.values()))
