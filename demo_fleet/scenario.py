"""The invented operator: its towns, depots, workshops, kits and pump families.

Lanternmoor Carriers and everything named here are made up.
"""

from __future__ import annotations

from dataclasses import dataclass

OPERATOR = "Lanternmoor Carriers"

_TOWN_STEMS = ("Ostrel", "Tarnho", "Quenmo", "Bruxa", "Havri", "Selwa", "Pennu", "Dorla", "Ymbra")
_TOWN_ENDS = ("by", "ster", "wick", "fell", "mere", "combe", "ness", "tarn")
_BENCHES = ("Yard Bay", "Lower Pits", "Gate Workshop", "Weighbridge Garage", "Rail Bench")


@dataclass(frozen=True)
class Family:
    """A pump family's published settings and what its new pumps are like.

    ``new_reserve`` is the median delivery reserve of a new pump [-]; the trapped
    volume (rail, lines, gallery) is what the pressure works on, larger than the rail.
    """

    name: str
    rail_max_bar: float
    proof_target_bar: float
    proof_duty_pct: float
    cylinders: int
    rail_volume_ml: float
    trapped_volume_ml: float
    displacement_ml_per_engine_rev: float
    proof_ratio_limit: float
    leak_limit_ml_per_min: float
    reference_crank_rpm: float
    new_reserve: float
    km_per_workday: float
    share: float
    system_v: int
    reference_fuel_temp_c: float = 40.0


# 1600 bar rail held near half duty and asked for 700 bar: common practice, no source.
# The other figures are invented.
FAMILIES = (
    Family("reed-1600", 1600, 700, 45, 4, 26, 42, 0.62, 0.80, 75, 210, 2.00, 210, 0.45, 12),
    Family("alder-1800", 1800, 780, 45, 4, 30, 48, 0.74, 0.82, 80, 200, 1.95, 270, 0.30, 24),
    Family("rowan-2000", 2000, 850, 42, 6, 38, 62, 1.05, 0.80, 120, 180, 2.10, 340, 0.25, 24),
)

# Nine stems and eight ends have no common factor, so that every pair comes up once.
TOWNS = tuple(
    _TOWN_STEMS[i % len(_TOWN_STEMS)] + _TOWN_ENDS[i % len(_TOWN_ENDS)]
    for i in range(len(_TOWN_STEMS) * len(_TOWN_ENDS))
)


def depot_name(index: int) -> str:
    """Return the name of depot ``index``; past the towns, they are numbered."""
    turn, place = divmod(index, len(TOWNS))
    return TOWNS[place] + (f" {turn + 1}" if turn else "")


def workshop_name(index: int, depots: int) -> str:
    """Return the name of workshop ``index``: one per depot town first, then second ones."""
    turn, depot = divmod(index, depots)
    return f"{depot_name(depot)} {_BENCHES[(depot + turn) % len(_BENCHES)]}" + (
        f" {turn + 1}" if turn >= len(_BENCHES) else ""
    )


def kit_name(index: int) -> str:
    """Return the tag painted on kit ``index``."""
    return f"K{index + 1:02d}"


def vehicle_name(index: int) -> str:
    """Return the fleet number of vehicle ``index``."""
    return f"LM-{index + 1:04d}"
