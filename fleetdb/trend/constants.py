"""What the reserve filter must be told: the constants of one pump family in one fleet.

Every constant has a prior, stated once here, and is learnt from the family's own records
(``learning``), so that a fleet with another fuel, regulator or gauge is not judged by
somebody else's. Priors are the authors' judgement of cranking tests (common practice, no
source); they matter only while a family's records are few.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple


class FamilyConstants(NamedTuple):
    """Constants of one family; ``ln`` is the natural logarithm, reserve and cap are over target."""

    ln_reserve_new: float
    """Typical delivery reserve of a new pump. [-]"""
    sd_ln_reserve_new: float
    ln_cap: float
    """Ratio at which the regulator caps a sound pump (650 of 700 bar is 0.93). [-]"""
    sd_ln_cap: float
    """Spread of that cap from vehicle to vehicle."""
    cap_sharpness: float
    """Exponent of the soft minimum of cap and reachable pressure: large is a sharp corner."""
    sd_ratio: float
    """Scatter of ln proof ratio from test to test."""
    sd_build: float
    """Scatter of ln build rate from test to test."""
    sd_reach: float
    """Scatter of ln reach from test to test: thermometers, crank speeds read off, lots of fuel."""
    ln_build_new: float
    """Typical ln build rate of a new pump at reference conditions. [ln bar/s]"""
    sd_ln_build_new: float
    volumetric_share: float
    """How much of a loss of reserve is lost swept flow rather than added leakage. [0-1]"""
    viscosity_power: float
    """Reserve goes as viscosity to this power (1 by the rail balance)."""
    winter_fuel: float
    """Half of what ln viscosity of summer's fuel is above that of winter's, both equally warm."""
    stiffening: float
    """How much stiffer fuel is at the target than at no pressure, over the latter. [-]"""
    stiffness_power: float
    """Cold fuel is stiffer: build rates go as viscosity to this power, leakage apart."""
    p_botched_ratio: float
    """Chance that a record's proof ratio alone is botched (regulator not held, slip of the pen)."""
    p_botched_build: float
    p_botched_both: float
    p_passing_loss: float
    """Chance that a run loses reach as a worn pump would: a valve not seated, air in the fuel."""
    wearing_at_first: float
    """Share of new pumps that wear at all, at one pace or another."""
    faster_at_first: float
    """How many of them wear at each pace, over those at the pace before."""
    wear_onset_per_y: float
    """Rate at which a pump that does not wear begins to. [1/y]"""
    quickening_per_y: float
    """Rate at which a pump as good as new, if it wears, shifts to the next faster pace. [1/y]"""
    quickening_with_loss: float
    """By how much ln of that rate rises with each unit of ln reserve lost, up to a bound. [-]"""
    wear_relief_per_y: float
    damage_per_y: float
    """Rate of sudden losses of reserve. [1/y]"""
    starvation_per_y: float
    """Rate at which a supply (a clogging filter) begins to hold back flow. [1/y]"""
    recovery_per_y: float
    """Rate of unexplained gains of reserve (an unrecorded repair). [1/y]"""
    mended_by_repair: float
    """Chance that new injectors or a new regulator give back what leaked away there."""
    build_wander_per_sqrt_y: float
    """Drift of a pump's build rate that is not reserve: filter, supply, habits. [1/sqrt(y)]"""
    wander_per_sqrt_y: float
    """Small changes of ln reserve that no wear explains. [1/sqrt(y)]"""
    strands_per_y: float
    """How often a pump well below its limit strands its vehicle. [1/y]"""
    strands_below_limit: float
    """How far below the limit, in ln reserve, it does so half as often. [-]"""


@dataclass(frozen=True)
class Prior:
    """Belief about a constant before any record: normal, on the log scale if ``is_log``."""

    centre: float
    sd: float
    is_log: bool
    low: float
    high: float

    def log_density(self, value: float) -> float:
        """Return the unnormalised log density, -inf outside the limits."""
        if not self.low <= value <= self.high:
            return -math.inf
        shift = math.log(value / self.centre) if self.is_log else value - self.centre
        return -0.5 * (shift / self.sd) ** 2


# ln_build_new has no prior: its level depends on rail and pump, so it is read off the family.
PRIORS: dict[str, Prior] = {
    "ln_reserve_new": Prior(math.log(1.65), 0.18, False, math.log(1.1), math.log(3.2)),
    "sd_ln_reserve_new": Prior(0.15, 0.3, True, 0.04, 0.5),
    "ln_cap": Prior(math.log(0.96), 0.03, False, math.log(0.8), math.log(1.1)),
    "sd_ln_cap": Prior(0.02, 0.4, True, 0.003, 0.1),
    "cap_sharpness": Prior(12.0, 0.5, True, 2.0, 60.0),
    "sd_ratio": Prior(0.022, 0.4, True, 0.003, 0.15),
    "sd_build": Prior(0.055, 0.5, True, 0.01, 0.3),
    # Some degrees of the thermometer are 0.05 of ln viscosity, 1 % of crank speed 0.01.
    "sd_reach": Prior(0.04, 0.5, True, 0.004, 0.2),
    "sd_ln_build_new": Prior(0.10, 0.5, True, 0.02, 0.5),
    "volumetric_share": Prior(0.25, 0.25, False, 0.0, 1.0),
    "viscosity_power": Prior(1.0, 0.12, False, 0.5, 1.5),
    # Winter grades are up to a quarter thinner than summer's: common practice, no source.
    "winter_fuel": Prior(0.04, 0.05, False, -0.05, 0.25),
    # n-dodecane's bulk modulus rises by two thirds to 700 bar (``fuel_stiffness``); air in the fuel
    # and the give of lines take from that.
    "stiffening": Prior(0.4, 0.25, False, -0.1, 1.5),
    # n-dodecane's bulk modulus falls by half a per cent a kelvin (``fuel_stiffness``), viscosity by
    # 1.5 to 3; how much of that a rail with air and give of its own shows is for the fleet to say.
    "stiffness_power": Prior(0.1, 0.1, False, -0.2, 0.5),
    "p_botched_ratio": Prior(0.008, 0.7, True, 1e-4, 0.1),
    "p_botched_build": Prior(0.008, 0.7, True, 1e-4, 0.1),
    "p_botched_both": Prior(0.008, 0.7, True, 1e-4, 0.15),
    "wearing_at_first": Prior(0.5, 0.4, True, 0.05, 0.95),
    "faster_at_first": Prior(0.4, 0.4, True, 0.05, 0.9),
    "wear_onset_per_y": Prior(0.3, 0.5, True, 0.03, 3.0),
    "quickening_per_y": Prior(0.7, 0.5, True, 0.05, 5.0),
    # Laws of wear differ: some pumps lose ever more the more they have lost, others ever less.
    "quickening_with_loss": Prior(0.5, 1.0, False, -2.0, 5.0),
    "build_wander_per_sqrt_y": Prior(0.04, 0.6, True, 0.003, 0.3),
    "starvation_per_y": Prior(0.04, 0.6, True, 0.002, 0.5),
    "wander_per_sqrt_y": Prior(0.04, 0.5, True, 0.005, 0.15),
    "damage_per_y": Prior(0.03, 0.6, True, 0.002, 0.5),
    "mended_by_repair": Prior(0.7, 0.3, True, 0.05, 0.97),
    # Limits are set with something in hand, how much is for the fleet's failures to say.
    "strands_per_y": Prior(6.0, 0.8, True, 0.05, 30.0),
    "strands_below_limit": Prior(0.1, 0.1, False, -0.1, 0.5),
}

# Not learnt. Records say little of the first two, and verdicts hardly depend on them. Of passing
# losses a fleet that is tested cold would learn too much: pumps with hardly any reserve, of which
# one run in twelve loses some, explain its build rates as well as sound ones do.
_FIXED = {"wear_relief_per_y": 0.15, "recovery_per_y": 0.02, "p_passing_loss": 0.01}


def prior_constants(ln_build_new: float) -> FamilyConstants:
    """Return the constants at the centre of their priors, with the family's own build rate."""
    centres = {name: prior.centre for name, prior in PRIORS.items()}
    return FamilyConstants(ln_build_new=ln_build_new, **centres, **_FIXED)


def log_prior(constants: FamilyConstants) -> float:
    """Return the log density of ``constants`` under the priors."""
    return sum(prior.log_density(getattr(constants, name)) for name, prior in PRIORS.items())
