"""The scorecard as JSON values."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from fleetdb.report.json_values import json_value
from fleetdb.trend.scorecard import LEAST_NOTICE, MOST_NOTICE, Scorecard


def scorecard_json(card: Scorecard) -> dict[str, Any]:
    """Return a scorecard as JSON values."""
    told = card.calibration
    return json_value(
        {
            "notice_counts_from_days": LEAST_NOTICE.days,
            "notice_counts_to_days": MOST_NOTICE.days,
            "failures": {
                "caught": card.caught,
                "missed": card.missed,
                "notice_days": asdict(card.notice_days) if card.notice_days else None,
            },
            "calls": {
                **card.calls_by_outcome(),
                "cause_found": card.causes_found,
                "pump_years": card.pump_years,
                "false_per_100_pump_years": card.false_per_100_pump_years,
            },
            "by_pump_family": card.by("pump_family").to_dicts(),
            "by_leading_cause": card.by("leading_cause").to_dicts(),
            "calibration": {
                "judged": told.n,
                "left_out": told.left_out,
                "base_rate": told.base_rate,
                "brier": told.brier,
                "brier_of_base_rate": told.brier_of_base_rate,
                "reliability": told.reliability.to_dicts(),
            },
            "limit_dates": {
                "judged": told.intervals_judged,
                "covered": told.intervals_covered,
                "too_early": told.intervals_too_early,
                "too_late": told.intervals_too_late,
                "share_covered": told.interval_share,
            },
        }
    )
