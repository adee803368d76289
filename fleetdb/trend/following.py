"""Stage 5 for whole families: their pumps followed, and what the filter thinks of each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from fleetdb.trend import queries
from fleetdb.trend.aligned import aligned
from fleetdb.trend.beliefs import PumpBelief, RecordBelief, Repairs
from fleetdb.trend.book_in_line import Walked
from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.filtering import Levels, look_ahead, run_filter
from fleetdb.trend.known import Known
from fleetdb.trend.series import Series, years
from fleetdb.trend.states import Policy


@dataclass(frozen=True)
class Followed:
    """Pumps of a family and what the filter thinks of them."""

    series: Series
    records: RecordBelief
    pumps: PumpBelief
    repaired_since: Repairs
    """What was repaired after the pump's last record, shape (n_pumps,)."""

    def present(self) -> Followed:
        """Return the same of the pumps that are still fitted."""
        fitted = self.series.still_fitted
        if fitted.all():
            return self
        own = np.repeat(fitted, np.diff(self.series.offsets))
        return Followed(
            self.series.of_present_pumps(),
            self.records.rows(own),
            self.pumps.rows(fitted),
            self.repaired_since[fitted],
        )

    def walked(self) -> Walked:
        """Return what the fleet-wide line is found from."""
        ended_y = years(self.series.pumps["ended_at"].to_numpy())
        return Walked(
            offsets=self.series.offsets,
            at_y=self.series.readings.at_y,
            repaired=self.series.readings.repaired,
            p_worn=self.records.p_worn,
            failed_y=self.series.failed_y,
            end_y=np.where(np.isnan(ended_y), np.inf, ended_y),
        )


def keep_corrections(connection: queries.Connection, families: list[Series]) -> None:
    """Give SQL what the arrays say of each record's viscosity."""
    columns = {
        "reading_no": np.concatenate(
            [np.empty(0, np.int64), *(s.records["reading_no"].to_numpy() for s in families)]
        ),
        "ln_viscosity": np.concatenate([np.empty(0), *(s.readings.ln_viscosity for s in families)]),
    }
    connection.register("corrections", pa.table(columns))


def follow(
    connection: queries.Connection,
    families: list[Series],
    constants: dict[str, FamilyConstants],
    known: Known,
    now_y: float,
    policy: Policy,
) -> list[Followed]:
    """Return every pump of ``families`` followed to ``now_y`` [y].

    ``connection`` has the tables of ``keep_readings``.
    """
    repairs = queries.answer_from(connection, "repairs", "repaired_since")
    followed = []
    for series in families:
        own, limit = constants[series.pump_family], known.limits[series.pump_family]
        repairs_of = aligned(repairs, series.pumps["pump_id"].to_numpy())
        repaired_since = np.nan_to_num(repairs_of["repaired"]).astype(np.int64)
        records, pumps = run_filter(
            series.readings,
            series.windows,
            series.offsets,
            series.start_y,
            np.full(series.n_pumps, now_y),
            own,
            limit,
            look_ahead(own, Levels(limit, max(policy.act_reserve, limit), policy.notice_days)),
            repaired_since,
            series.failed_y,
        )
        followed.append(Followed(series, records, pumps, repaired_since))
    return followed
