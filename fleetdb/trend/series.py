"""Stage 1 and 3: each record on its pump, with what a test at reference conditions would need.

SQL does the joins (``sql/pumps.sql``, ``sql/readings.sql``, ``sql/usual_conditions.sql``);
this module turns the answer into the arrays the filter reads.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from fleetdb.fluid import REFERENCE_DIESEL, WaltherFluid
from fleetdb.records.plausibility import LIKE_MPA
from fleetdb.trend import queries
from fleetdb.trend.aligned import aligned
from fleetdb.trend.beliefs import Floats, Readings, Repair, Repairs
from fleetdb.trend.build_windows import NO_WINDOWS, REFERENCE, Windows, number_windows
from fleetdb.trend.filtering import DAYS_PER_YEAR

EPOCH = np.datetime64("2000-01-01T00:00:00", "us")
_YEAR = np.timedelta64(int(DAYS_PER_YEAR * 86_400e6), "us")

DUTY_SLACK_PCT = 2.0
FINDINGS_LATE_DAYS = 1
"""So long after a new pump is in, a finding may still speak of the one before. [d]"""
VISIT_DAYS = 14
"""What is found or fitted so near in time is of one visit to the workshop. [d]"""
USUAL_CONDITIONS = ("usual_fuel_temp", "usual_crank_speed", "usual_window")
"""What stands in where a test does not say; one vehicle takes it from its fleet."""

_UNKNOWN_SD_C = 12.0
# Where every note is alike, somebody copies the reference value: what is not noted is no surer.
_LEAST_SD_C, _LEAST_SD_LN_SPEED = 3.0, 0.03
# Where the year's usual temperatures differ by less either way, fuel is hardly of two grades.
_SEASON_K = 3.0


def years(moments: NDArray[np.datetime64]) -> Floats:
    """Return times as years since 2000-01-01 (years of 365.25 days); NaT gives NaN."""
    return (moments.astype("datetime64[us]") - EPOCH) / _YEAR


@dataclass(frozen=True)
class Series:
    """Pumps of one family with their records, sorted by pump and time."""

    pump_family: str
    pumps: pa.Table
    """One row per pump, as ``sql/pumps.sql`` gives it, and failed_at."""
    records: pa.Table
    """One row per record: reading_no (its row in the table ``readings``), performed_at."""
    offsets: NDArray[np.int64]
    """Pump ``n`` has the records ``offsets[n]`` to ``offsets[n + 1]``."""
    start_y: Floats
    failed_y: Floats
    """When each pump failed on the road, NaN where it has not. [y]"""
    readings: Readings
    windows: Windows
    """What ``readings.window`` numbers."""
    workshops: list[str]
    """What ``windows.workshop`` numbers."""
    kit: NDArray[np.int64]
    """Number of each record's kit in ``kit_names``; -1 where none was named."""

    def before(self, until_y: float) -> Series:
        """Return the series with only the records before ``until_y``."""
        return self._with(self.readings.at_y < until_y, np.ones(self.n_pumps, dtype=bool))

    def of_present_pumps(self) -> Series:
        """Return the series of the pumps that are still fitted."""
        return self.of_pumps(self.still_fitted)

    def of_pumps(self, which: NDArray[np.bool_]) -> Series:
        """Return the series of the pumps of a mask, shape (n_pumps,)."""
        return self._with(np.repeat(which, np.diff(self.offsets)), which)

    def evenly_chosen(self, among: NDArray[np.int64], number: int) -> NDArray[np.bool_]:
        """Return the mask of ``number`` of the pumps numbered ``among``, evenly spread."""
        spread = np.linspace(0, len(among) - 1, number).astype(int)
        which = np.zeros(self.n_pumps, dtype=bool)
        which[among[spread]] = True
        return which

    @property
    def still_fitted(self) -> NDArray[np.bool_]:
        """Which pumps no other has replaced, shape (n_pumps,)."""
        return self.pumps["ended_at"].is_null().to_numpy(zero_copy_only=False)

    def _with(self, records: NDArray[np.bool_], pumps: NDArray[np.bool_]) -> Series:
        kept_until = np.concatenate([[0], np.cumsum(records)])
        counts = np.diff(kept_until[self.offsets])[pumps]
        return replace(
            self,
            pumps=self.pumps.filter(pa.array(pumps)),
            records=self.records.filter(pa.array(records)),
            offsets=np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
            start_y=self.start_y[pumps],
            failed_y=self.failed_y[pumps],
            readings=self.readings.rows(records),
            kit=self.kit[records],
        )

    @property
    def n_pumps(self) -> int:
        return len(self.start_y)


def keep_readings(connection: queries.Connection, as_of: datetime, one_in: int = 1) -> None:
    """Keep ``pumps``, ``family_settings``, ``repairs``, ``trace_readings``,
    ``readings``, ``kit_names`` and ``pump_failures``.

    They are as known at ``as_of``, of one vehicle in ``one_in``, chosen by name, so always the
    same.

    The connection must have the views of ``fleetdb.warehouse.views``; ``as_of`` is UTC.
    """
    queries.keep(connection, "pumps", as_of=as_of, one_in=one_in)
    queries.keep(connection, "family_settings")
    queries.keep(
        connection, "repairs", as_of=as_of, late_days=FINDINGS_LATE_DAYS, visit_days=VISIT_DAYS
    )
    queries.keep(connection, "trace_readings")
    queries.keep(connection, "readings", as_of=as_of, duty_slack_pct=DUTY_SLACK_PCT)
    queries.keep(connection, "kit_names")
    queries.keep(connection, "pump_failures", as_of=as_of, late_days=FINDINGS_LATE_DAYS)


def keep_usual_conditions(
    connection: queries.Connection, guessed_windows: pa.Table = NO_WINDOWS
) -> None:
    """Keep the tables of ``USUAL_CONDITIONS`` of these readings.

    ``guessed_windows`` says how workshops time that never say so (``untold_windows``).
    """
    connection.register("guessed_windows", guessed_windows)
    queries.keep(
        connection,
        "usual_fuel_temp",
        added=20,
        few=12,
        unknown_sd_c=_UNKNOWN_SD_C,
        least_sd_c=_LEAST_SD_C,
    )
    queries.keep(
        connection, "usual_crank_speed", few=12, unknown_sd=0.1, least_sd=_LEAST_SD_LN_SPEED
    )
    queries.keep(connection, "usual_window")


def load_series(
    connection: queries.Connection, fluid: WaltherFluid = REFERENCE_DIESEL
) -> tuple[list[Series], list[str]]:
    """Return every family's series and the names of the kits, from the tables kept before."""
    pumps = queries.whole(connection, "pumps").sort_by("pump_id")
    kit_names = queries.whole(connection, "kit_names")["kit"].to_pylist()
    records = queries.answer(
        connection, "readings_with_conditions", added=3, unknown_sd_c=_UNKNOWN_SD_C
    )
    kit = records["kit_no"].combine_chunks().fill_null(-1).to_numpy(zero_copy_only=False).copy()
    workshop = records["workshop"].combine_chunks().dictionary_encode()
    readings, windows = _readings(
        records,
        workshop.indices.fill_null(-1).to_numpy(zero_copy_only=False),
        fluid,
        _warm_season(connection),
    )
    kept = records.select(["reading_no", "performed_at"])
    pump_of_record = records["pump_id"].to_numpy()
    families = pumps["pump_family"].to_numpy()
    starts = years(pumps["fitted_at"].to_numpy())
    failures = queries.whole(connection, "pump_failures")
    failed_at = aligned(failures, pumps["pump_id"].to_numpy())["failed_at"]
    pumps = pumps.append_column("failed_at", pa.array(failed_at, pa.timestamp("us")))
    failed = years(failed_at)
    edges = np.searchsorted(pump_of_record, np.arange(len(pumps) + 1))
    series = []
    for family in np.unique(families):
        # pump_id is in order of family, so a family is a slice of pumps and of records.
        own = np.flatnonzero(families == family)
        first, last = int(own[0]), int(own[-1]) + 1
        a, z = int(edges[first]), int(edges[last])
        series.append(
            Series(
                pump_family=str(family),
                pumps=pumps.slice(first, last - first),
                records=kept.slice(a, z - a),
                offsets=edges[first : last + 1] - a,
                start_y=starts[first:last],
                failed_y=failed[first:last],
                readings=readings.rows(slice(a, z)),
                windows=windows,
                workshops=workshop.dictionary.to_pylist(),
                kit=kit[a:z],
            )
        )
    return series, kit_names


def _warm_season(connection: queries.Connection) -> tuple[float, float]:
    """Return when in the year tests are warmest [y], and how much of a season that makes (0 to 1).

    The first harmonic of the months' usual fuel temperatures.
    """
    months = queries.answer(connection, "usual_temp_by_month")
    angle = 2.0 * np.pi * (months["month_no"].to_numpy() - 0.5) / 12.0
    temp_c = months["usual_fuel_temp_c"].to_numpy()
    wave = (temp_c * np.exp(1j * angle)).sum() / 6.0 if len(angle) == 12 else 0.0
    return float(np.angle(wave) / (2.0 * np.pi)), min(float(np.abs(wave)) / _SEASON_K, 1.0)


def _readings(
    records: pa.Table,
    workshop: NDArray[np.int64],
    fluid: WaltherFluid,
    warm_season: tuple[float, float],
) -> tuple[Readings, Windows]:
    def column(name: str) -> Floats:
        return records[name].to_numpy().astype(float)

    with np.errstate(divide="ignore", invalid="ignore"):
        ln_ratio = np.log(np.maximum(column("proof_ratio"), 1e-3))
        ln_build = np.log(np.maximum(column("rate_bar_per_s"), 1e-2))
        ln_speed = np.log(column("crank_rpm") / column("reference_crank_rpm"))
    temp, usual_temp = column("fuel_temp_c"), column("usual_fuel_temp_c")
    sd_temp = column("sd_fuel_temp_c")
    reference = column("reference_fuel_temp_c")
    no_temp, no_speed = np.isnan(temp), np.isnan(ln_speed)
    temp_or_usual = np.where(no_temp, usual_temp, temp)
    var_ln_viscosity = np.zeros(len(records))
    per_kelvin = (
        fluid.ln_viscosity_ratio(usual_temp[no_temp] + 1.0, reference[no_temp])
        - fluid.ln_viscosity_ratio(usual_temp[no_temp] - 1.0, reference[no_temp])
    ) / 2.0
    var_ln_viscosity[no_temp] = (per_kelvin * sd_temp[no_temp]) ** 2
    low, high = column("from_share"), column("to_share")
    no_window = np.isnan(low) | np.isnan(high)
    # Where nobody gives a window, pressure is taken to be timed over the middle of the climb.
    window, windows = number_windows(
        np.where(no_window, REFERENCE[0], low), np.where(no_window, REFERENCE[1], high), workshop
    )
    n = len(records)
    at_y = years(records["performed_at"].to_numpy())
    warmest_y, seasonal = warm_season
    readings = Readings(
        at_y=at_y,
        ln_ratio=ln_ratio,
        ln_build=ln_build,
        ln_speed=np.where(no_speed, column("usual_ln_speed"), ln_speed),
        var_ln_speed=np.where(no_speed, column("sd_ln_speed") ** 2, 0.0),
        ln_viscosity=fluid.ln_viscosity_ratio(temp_or_usual, reference),
        var_ln_viscosity=var_ln_viscosity,
        ln_kit=np.zeros(n),
        var_ln_kit=np.zeros(n),
        season=seasonal * np.cos(2.0 * np.pi * (at_y - warmest_y)),
        window=window,
        repaired=_repaired(records),
        slipped=slipped(records["pump_id"].to_numpy(), column("proof_ratio"), ~np.isnan(ln_build)),
    )
    return readings, windows


def slipped(pump: NDArray[np.int64], ratio: Floats, has_build: NDArray[np.bool_]) -> Floats:
    """Return 1 where a ratio is a tenth of what pumps come to and none beside it is.

    So little starts no engine, and MPa written as bar looks just so; two in a row are believed,
    unless a build rate was timed: over pressures that the ratio says were never reached.
    """
    [measured] = np.nonzero(~np.isnan(ratio))
    low, high = LIKE_MPA
    tenth = (ratio[measured] > low) & (ratio[measured] < high)
    pump, may_be_so = pump[measured], tenth & ~has_build[measured]
    again = may_be_so[1:] & may_be_so[:-1] & (pump[1:] == pump[:-1])
    tenth[1:][again] = tenth[:-1][again] = False
    slipped = np.zeros(len(ratio))
    slipped[measured[tenth]] = 1.0
    return slipped


def _repaired(records: pa.Table) -> Repairs:
    """Return what was repaired or found on the vehicle since the same pump's test before."""
    pump, performed = records["pump_id"].to_numpy(), records["performed_at"].to_numpy()
    same_pump = pump[1:] == pump[:-1]
    since = np.zeros(len(records), np.int64)
    for repair, name in (
        (Repair.SUPPLY, "supply_repaired_at"),
        (Repair.LEAKS, "leaks_repaired_at"),
        (Repair.FOUND_SOUND, "found_sound_at"),
        (Repair.FOUND_CLOGGED, "found_clogged_at"),
    ):
        later = records[name].to_numpy()[1:] > performed[:-1]
        since[1:][same_pump & later] |= repair
    return since
