"""The fleet as it was known at a moment: what every later stage works on."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pyarrow as pa

from fleetdb.trend import queries
from fleetdb.trend.beliefs import Floats
from fleetdb.trend.build_windows import NO_WINDOWS
from fleetdb.trend.series import Series, keep_readings, keep_usual_conditions, load_series, years
from fleetdb.trend_settings import TrendSettings
from fleetdb.warehouse.views import trend_settings_in


@dataclass(frozen=True)
class Known:
    """Series by family, and what applies to them."""

    families: list[Series]
    kit_names: list[str]
    limits: dict[str, float]
    """The proof ratio limit in force of each family. [-]"""
    calibrations: dict[int, Floats]
    """When each kit, by its number, was calibrated. [y]"""
    settings: TrendSettings
    """What the fleet set of how it is judged."""

    @property
    def n_records(self) -> int:
        return sum(len(series.kit) for series in self.families)


def known_at(
    connection: queries.Connection,
    moment: datetime,
    *,
    with_usual_conditions: bool = True,
    one_in: int = 1,
    guessed_windows: pa.Table = NO_WINDOWS,
) -> Known:
    """Return what was known at ``moment`` (UTC, no zone) of one vehicle in ``one_in``.

    Keeps the tables of ``series.keep_readings`` in the connection and, unless they are there
    already (a vehicle's verdict takes them from its fleet), those of ``keep_usual_conditions``.
    """
    keep_readings(connection, moment, one_in)
    if with_usual_conditions:
        keep_usual_conditions(connection, guessed_windows)
    settings = trend_settings_in(connection)
    families, kit_names = load_series(connection, settings.fluid)
    limits = queries.answer(connection, "limits_in_force", as_of=moment)
    return Known(
        families=families,
        kit_names=kit_names,
        limits={row["pump_family"]: row["proof_ratio_limit"] for row in limits.to_pylist()},
        calibrations=_calibrations(connection, kit_names, moment),
        settings=settings,
    )


def _calibrations(
    connection: queries.Connection, kit_names: list[str], as_of: datetime
) -> dict[int, Floats]:
    number = {name: k for k, name in enumerate(kit_names)}
    moments: dict[int, list[datetime]] = defaultdict(list)
    for row in queries.answer_from(
        connection, "kit_calibrations", "calibrations", as_of=as_of
    ).to_pylist():
        if row["kit"] in number:
            moments[number[row["kit"]]].append(row["calibrated_at"])
    return {k: years(np.array(at, dtype="datetime64[us]")) for k, at in moments.items()}
