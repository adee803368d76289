"""What the filter thinks of one pump at any moment: past, from the tests made by then, or to come.

The filter keeps one distribution per pump, that of its last moment. A pump looked at in many
moments is followed once for each, as if each were the end: a few milliseconds for a vehicle.
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from fleetdb.trend.beliefs import Floats, Repairs
from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.filtering import Levels, look_ahead, run_filter
from fleetdb.trend.following import Followed
from fleetdb.trend.series import Series, slipped
from fleetdb.trend.states import Policy


def seen_at(
    each: Followed,
    pump: int,
    n_records: NDArray[np.int64],
    at_y: Floats,
    repaired_since: Repairs,
    constants: FamilyConstants,
    limit: float,
    policy: Policy,
    *,
    failed_y: Floats | None = None,
) -> Followed:
    """Return the pump number ``pump`` of ``each`` as it was seen at some moments.

    Parameters
    ----------
    n_records
        How many of the pump's records are seen at each moment, shape (n_moments,).
    at_y
        The moments; one before the pump's last record seen stands for that record. [y]
    repaired_since
        What was repaired between that record and the moment.
    failed_y
        When the pump had last failed on the road by each moment, NaN where it had not; that of
        the series if left out. [y]

    Returns
    -------
    Followed
        One "pump" per moment, in order.
    """
    first = int(each.series.offsets[pump])
    rows = np.concatenate(
        [np.empty(0, np.int64), *(first + np.arange(n) for n in n_records)],
    )
    whole = each.series
    n_moments = len(n_records)
    readings = whole.readings.rows(rows)
    # Which reading is a slip was not known before the next one.
    of_moment = np.repeat(np.arange(n_moments), n_records)
    slips = slipped(of_moment, np.exp(readings.ln_ratio), ~np.isnan(readings.ln_build))
    readings = readings._replace(slipped=slips)
    series = Series(
        pump_family=whole.pump_family,
        pumps=whole.pumps.take(pa.array(np.full(n_moments, pump))),
        records=whole.records.take(pa.array(rows)),
        offsets=np.concatenate([[0], np.cumsum(n_records)]).astype(np.int64),
        start_y=np.full(n_moments, whole.start_y[pump]),
        failed_y=np.full(n_moments, whole.failed_y[pump]) if failed_y is None else failed_y,
        readings=readings,
        windows=whole.windows,
        workshops=whole.workshops,
        kit=whole.kit[rows],
    )
    levels = Levels(limit, max(policy.act_reserve, limit), policy.notice_days)
    records, pumps = run_filter(
        series.readings,
        series.windows,
        series.offsets,
        series.start_y,
        at_y,
        constants,
        limit,
        look_ahead(constants, levels),
        repaired_since,
        series.failed_y,
    )
    return Followed(series, records, pumps, repaired_since)
