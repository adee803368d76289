"""Why a verdict says what it says, and what to do next, in plain words with the numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

from fleetdb.trend.beliefs import Repair
from fleetdb.trend.cause import Cause
from fleetdb.trend.states import State

_LONG_SINCE_A_TEST_DAYS = 180
_NOTABLE_KIT_BIAS = 0.025
_NOTABLE_CYLINDER = 1.8
_NOTABLE_WEAR = 0.03
_NOTABLE_HOLD = 1.5
_NOTABLE_DEPARTURE = 0.05


@dataclass(frozen=True)
class Figures:
    """Everything the words of one verdict are made of."""

    state: State
    n_tests: int
    last_test_at: datetime | None
    as_of: datetime
    limit: float
    reserve: float
    reserve_low: float
    reserve_high: float
    wear_per_y: float
    cause: Cause
    lost: float
    """Share of a new pump's reserve that is gone. [-]"""
    lost_by_leak: float
    """Share of it that the injectors' return takes, NaN where none was measured. [-]"""
    leak_times_usual: float
    worst_cylinder: int | None
    worst_times_others: float
    kit: str | None
    ln_kit: float
    sd_ln_kit: float
    """How well that is known."""
    set_aside: int
    below_in_a_row: int
    failed_at: datetime | None
    unanswered: bool
    """No test after that failure."""
    repaired: Repair
    """What was repaired or found after the last test."""
    build_pct_per_y: float
    build_p: float
    notable_p: float
    """Largest p-value of a trend worth telling, among the fleet's (``discoveries``)."""
    build_tests: int | None
    hold_times_usual: float
    weak_element: int | None
    weak_element_share: float
    regulator_departure: float

    @property
    def to_prove_again(self) -> bool:
        """Whether a part was fitted that may have been at fault, and no test says so yet.

        A new filter gives back flow, and so matters where the supply is suspected only, or the old
        one was found worn. After a failure on the road that no test has answered, the failure is
        what counts.
        """
        matters = bool(self.repaired & (Repair.INJECTORS | Repair.REGULATOR)) or (
            Repair.SUPPLY in self.repaired
            and (self.cause is Cause.SUPPLY_SIDE or Repair.FOUND_CLOGGED in self.repaired)
        )
        return self.state >= State.WATCH and matters and not self.unanswered


def reasons_for(f: Figures) -> list[str]:
    """Return the reasons, most telling first."""
    reasons: list[str] = []
    if f.failed_at is not None and f.state is State.STAND_DOWN:
        reasons.append(f"failed on the road on {f.failed_at:%Y-%m-%d}, no new pump on record since")
    if f.n_tests == 0:
        return [*reasons, "no proof or build rate of this pump yet"]
    if f.state is State.UNPROVEN:
        reasons.append(
            f"only {f.n_tests} test{'s' if f.n_tests > 1 else ''} of this pump: too few to say"
        )
    reasons.append(
        f"could reach about {f.reserve:.2f} times the target "
        f"({f.reserve_low:.2f} to {f.reserve_high:.2f}, limit {f.limit:.2f})"
    )
    if f.below_in_a_row > 1:
        reasons.append(f"the last {f.below_in_a_row} proofs in a row are below the limit")
    if f.state >= State.WATCH:
        lost_a_year = -math.expm1(-f.wear_per_y)
        if lost_a_year >= _NOTABLE_WEAR:
            reasons.append(f"losing {100 * lost_a_year:.0f} % a year")
        reasons.append(_cause_in_words(f))
        reasons += _traces_in_words(f)
        if f.build_p <= f.notable_p:
            reasons.append(_build_trend_in_words(f))
    if f.to_prove_again:
        reasons.append(
            f"{_parts_in_words(f.repaired)} fitted since the last test: what that gave back is "
            "not proven"
        )
    if f.state >= State.WATCH and Repair.FOUND_SOUND in f.repaired and not f.unanswered:
        reasons.append("no fault was found in the pump since the last test")
    if f.set_aside:
        reasons.append(f"{f.set_aside} test{'s' if f.set_aside > 1 else ''} set aside as botched")
    if f.kit is not None and abs(f.ln_kit) >= _NOTABLE_KIT_BIAS:
        way = "low" if f.ln_kit < 0 else "high"
        reasons.append(
            f"last kit {f.kit} reads about {100 * abs(f.ln_kit):.0f} % {way}; allowed for"
        )
    if f.last_test_at is not None:
        days = (f.as_of - f.last_test_at).days
        if days > _LONG_SINCE_A_TEST_DAYS:
            reasons.append(f"not tested for {days} days")
    return reasons


def _cause_in_words(f: Figures) -> str:
    leak = ""
    if f.leak_times_usual == f.leak_times_usual:  # not NaN
        leak = f"injectors return {f.leak_times_usual:.1f} times the usual"
    match f.cause:
        case Cause.INJECTOR_LEAK:
            if f.worst_cylinder is not None and math.isinf(f.worst_times_others):
                leak = f"cylinder {f.worst_cylinder} returns fuel and the others next to none"
            elif f.worst_cylinder is not None and f.worst_times_others >= _NOTABLE_CYLINDER:
                leak = (
                    f"cylinder {f.worst_cylinder} returns {f.worst_times_others:.1f} times the "
                    "others' median"
                )
            if f.lost_by_leak != f.lost_by_leak:
                return f"{leak or 'injector leak suspected'}: that explains most of the loss"
            return (
                f"{leak}: that explains {_of_the_loss(f)}, and ratio and build rate fell together "
                "as a leak makes them"
            )
        case Cause.KIT_READING:
            kit = "a kit that is not named" if f.kit is None else f"kit {f.kit}"
            return (
                f"what {kit} reads wrong is known to {100 * f.sd_ln_kit:.0f} % only: that may be "
                "most of the loss"
            )
        case Cause.CANNOT_TELL:
            return "the figures do not tell what is at fault"
        case Cause.PUMP_WEAR if leak:
            return f"{leak}, which explains {_of_the_loss(f)}: most likely the pump itself"
        case Cause.PUMP_WEAR:
            return "no recent leak figure: most likely the pump, injectors not ruled out"
        case Cause.SUPPLY_SIDE:
            return "build rate fell with the ratio: fuel supply most likely"
        case _:
            return "a leak at regulator or rail most likely"


def _of_the_loss(f: Figures) -> str:
    by_leak = min(f.lost_by_leak, f.lost)
    part = "none" if by_leak < 0.005 else f"{100 * by_leak:.0f}"
    return f"{part} of the {100 * f.lost:.0f} % of reserve lost since new"


def _parts_in_words(repaired: Repair) -> str:
    words = {
        Repair.INJECTORS: "injectors",
        Repair.REGULATOR: "regulator",
        Repair.SUPPLY: "fuel filter",
    }
    return " and ".join(said for part, said in words.items() if part in repaired)


def _traces_in_words(f: Figures) -> list[str]:
    said: list[str] = []
    if f.weak_element is not None:
        said.append(
            f"one pumping element (number {f.weak_element} in its trace) delivers "
            f"{f.weak_element_share:.2f} of the others: that is the pump itself"
        )
    if f.hold_times_usual >= _NOTABLE_HOLD:
        said.append(
            f"the closed rail loses {f.hold_times_usual:.1f} times the usual with the pump standing"
        )
    if abs(f.regulator_departure) > _NOTABLE_DEPARTURE:
        said.append(
            f"pressure leaves its straight line over regulator duty by "
            f"{100 * abs(f.regulator_departure):.0f} %"
        )
    return said


def _build_trend_in_words(f: Figures) -> str:
    way = "falling" if f.build_pct_per_y < 0 else "rising"
    p = "p < 0.001" if f.build_p < 0.001 else f"p = {f.build_p:.3f}"
    return (
        f"build rate {way} {abs(f.build_pct_per_y):.0f} % a year over the last "
        f"{f.build_tests} tests (distribution-free test, {p})"
    )


def advice_for(f: Figures) -> str:
    """Return what to do next. It never says that a vehicle is safe."""
    if f.state is State.UNPROVEN:
        return "Test again at the next visit, with fuel temperature and crank speed noted."
    if f.state is State.SOUND:
        return "Test as planned."
    if f.to_prove_again:
        begin = {
            State.WATCH: "Bring the next test forward:",
            State.BOOK_IN: "Book in before the next planned visit:",
            State.STAND_DOWN: "Do not send out before it is proven:",
        }[f.state]
        return f"{begin} test with the new part in, leak run included, before replacing more."
    if f.state is State.WATCH:
        return "Bring the next test forward; note fuel temperature, crank speed and a leak run."
    first = {
        Cause.INJECTOR_LEAK: "Test the injectors before touching the pump.",
        Cause.KIT_READING: "Repeat the test with another kit before replacing anything.",
        Cause.SUPPLY_SIDE: "Check filter and low-pressure supply before the pump.",
        Cause.REGULATOR_OR_RAIL_LEAK: "Check regulator and rail for leakage before the pump.",
        Cause.CANNOT_TELL: "Repeat the test with a leak run to find what is at fault.",
        Cause.PUMP_WEAR: (
            "Confirm with a second test and a leak run, then plan the pump."
            if f.leak_times_usual != f.leak_times_usual  # NaN: no leak run
            else "Confirm with a second test, then plan the pump."
        ),
    }[f.cause]
    if f.state is State.STAND_DOWN:
        return f"Do not send out before it has been looked at. {first}"
    return f"Book in before the next planned visit. {first}"
