"""A vehicle's life: pumps that wear and are changed, faults beside them, the true reserve.

Nothing here knows of a verdict: a pump runs until the vehicle stops on the road, or a
workshop that proves it below the limit changes it, or one changes it in vain.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.fleets.second.faults import Fault, draw_faults
from tests.fleets.second.kinds import Family, Kind
from tests.fleets.second.rail import laminar_for, reach
from tests.fleets.second.wear import Wear, WearLaw

Floats = NDArray[np.float64]

_YEAR_DAYS = 365.25
_OLDEST_YEARS = 7.0
_JOINING_SHARE = 0.12
_NEARLY_USED_UP = 0.9
_SHORTEST_LIFE_DAYS = 150.0
# A cause that costs less of the reserve than this is not worth a name.
NO_CAUSE_BELOW = 0.10
_DAMAGE_JUMP = (1.15, 1.6)
_DAMAGE_HASTE = (2.0, 6.0)
_VAIN_WITH_INJECTOR = 0.08


@dataclass
class Pump:
    """A pump fitted: days of the history, and daily figures (meaningless when not fitted).

    ``flow`` over that when new; ``laminar`` its own clearances' leak. ``failed``: taken
    out because the vehicle's reserve was below the limit and the pump cost most of it.
    """

    fitted: float
    new_reserve: float
    wear_law: WearLaw
    damaged: float
    new_laminar: float
    flow: Floats
    laminar: Floats
    removed: float | None = None
    failed: bool = False
    on_road: bool = False

    @property
    def gradual(self) -> bool:
        """True when it failed of wear alone."""
        return self.failed and self.removed is not None and self.damaged >= self.removed


@dataclass
class Shares:
    """What the rail is made of on each day. ``injectors`` has a column per cylinder."""

    supply: Floats
    injectors: Floats
    orifice: Floats
    new_injectors: float
    new_orifice: float


@dataclass
class Life:
    """Everything that truly happened to one vehicle; days are of the history."""

    family: Family
    entry: float
    odometer_km: Floats
    cap: Floats
    strength: float  # sweep over the family's, however good the clearances
    volume: float
    pumps: list[Pump]
    faults: list[Fault]
    filters: list[tuple[float, bool]]
    shares: Shares
    findings: list[tuple[float, str, str]] = field(default_factory=list)

    def reserve(self, pump: Pump) -> Floats:
        """Return the true reserve on each day with ``pump`` fitted."""
        s = self.shares
        laminar = pump.laminar + s.injectors.sum(axis=1)
        return reach(pump.flow * s.supply, laminar, s.orifice, 1.0)

    def alone(self, pump: Pump) -> Floats:
        """Return what the reserve would be with everything but the pump new."""
        s = self.shares
        return reach(pump.flow, pump.laminar + s.new_injectors, s.new_orifice, 1.0)

    def losses(self, pump: Pump) -> dict[str, Floats]:
        """Return what each cause costs: ln of the reserve without it over the reserve."""
        s = self.shares
        injectors = s.injectors.sum(axis=1)
        now = np.log(self.reserve(pump))
        flow, laminar = pump.flow, pump.laminar
        without = {
            "pump_wear": reach(s.supply, pump.new_laminar + injectors, s.orifice, 1.0),
            "injector_leak": reach(flow * s.supply, laminar + s.new_injectors, s.orifice, 1.0),
            "regulator_or_rail_leak": reach(
                flow * s.supply, laminar + injectors, s.new_orifice, 1.0
            ),
            "supply_side": reach(flow, laminar + injectors, s.orifice, 1.0),
        }
        return {cause: np.log(reserve) - now for cause, reserve in without.items()}

    def leading(self, pump: Pump) -> list[str]:
        """Return the cause that costs most on each day, ``none`` while none costs much."""
        losses = self.losses(pump)
        names, table = list(losses), np.stack(list(losses.values()))
        worst = table.argmax(axis=0)
        much = table.max(axis=0) > NO_CAUSE_BELOW
        return [names[w] if m else "none" for w, m in zip(worst, much, strict=True)]


class Living:
    """Lives one vehicle's life, once its planned tests are known."""

    def __init__(
        self, kind: Kind, family: Family, entry: float, days: int, rng: np.random.Generator
    ) -> None:
        self.kind, self.days, self.rng = kind, days, rng
        self.day = np.arange(days, dtype=np.float64)
        usage = float(np.exp(0.30 * rng.normal()))
        months = rng.gamma(12.0, 1 / 12.0, size=days // 30 + 1)
        pace = usage * np.repeat(months, 30)[:days]
        self._usage = usage
        self._clock = np.cumsum(pace)
        km_per_day = float(rng.uniform(90, 260))
        odometer_km = km_per_day * self._clock_since(entry)
        middle = 0.5 * sum(kind.new_reserve)
        orifice_flow = float(rng.uniform(*kind.orifice_share))
        new_orifice = orifice_flow / np.sqrt(middle)
        new_injectors = float(rng.uniform(*kind.injector_share)) * (1 - orifice_flow) / middle
        faults, filters = draw_faults(kind, family, days, rng)
        own = np.exp(0.12 * rng.normal(size=family.cylinders))
        self._own_injectors = new_injectors * own / own.sum()
        self._new_orifice = float(new_orifice)
        self.life = Life(
            family, entry, odometer_km, np.empty(days), float(np.exp(0.05 * rng.normal())),
            float(np.exp(0.03 * rng.normal())), [], faults, filters, self._shares(faults),
        )  # fmt: skip

    def _shares(self, faults: list[Fault]) -> Shares:
        supply = np.ones(self.days)
        injectors = np.tile(self._own_injectors, (self.days, 1))
        orifice = np.full(self.days, self._new_orifice)
        for fault in faults:
            size = fault.size_on(self.day)
            if fault.part == "fuel_filter":
                supply *= 1.0 - np.minimum(size, 0.8)
            elif fault.part == "regulator":
                orifice += size
            elif fault.cylinder is None:
                injectors += size[:, None] * self._own_injectors
            else:
                injectors[:, fault.cylinder] += size * self._own_injectors[fault.cylinder]
        own_sum = float(self._own_injectors.sum())
        return Shares(supply, injectors, orifice, own_sum, self._new_orifice)

    def _clock_since(self, fitted: float) -> Floats:
        """Return what a pump fitted then has worked by each day, in days of middling use."""
        if fitted <= 0:
            return self._clock - fitted * self._usage
        return np.maximum(self._clock - np.interp(fitted, self.day, self._clock), 0.0)

    def _new_pump(self, fitted: float) -> Pump:
        kind, rng, life = self.kind, self.rng, self.life
        low, high = kind.new_reserve
        new_reserve = low + (high - low) * float(rng.beta(2.5, 2.5))
        new_laminar = float(laminar_for(new_reserve, 1.0, self._new_orifice))
        new_laminar -= life.shares.new_injectors
        lives = kind.life_years * _YEAR_DAYS * np.exp(kind.life_spread * rng.normal())
        lives = max(float(lives), _SHORTEST_LIFE_DAYS)
        wear = Wear.draw(kind.wear_laws, rng)
        worked = self._clock_since(fitted)
        damaged = max(fitted, 0.0) + float(rng.exponential(_YEAR_DAYS / kind.damages))
        since_damage = np.maximum(worked - np.interp(damaged, self.day, worked), 0.0)
        since_damage = np.where(self.day > damaged, since_damage, 0.0)
        hasty = worked + (float(rng.uniform(*_DAMAGE_HASTE)) - 1.0) * since_damage
        used = wear.used(hasty / lives)
        # At wear 1 the reserve is the limit, some of it lost by delivery, the rest by clearance.
        lost = np.log(new_reserve / life.family.limit)
        last_flow = float(np.exp(-rng.uniform(*kind.delivery_share) * lost))
        last_laminar = float(laminar_for(life.family.limit, last_flow, self._new_orifice))
        last_laminar -= life.shares.new_injectors
        flow = np.maximum(1.0 - (1.0 - last_flow) * used, 0.2)
        laminar = new_laminar + (last_laminar - new_laminar) * used
        run_in = rng.uniform(*kind.run_in)
        laminar *= 1.0 + run_in * np.exp(-worked / rng.uniform(*kind.run_in_days))
        laminar *= np.where(self.day > damaged, float(rng.uniform(*_DAMAGE_JUMP)), 1.0)
        return Pump(fitted, new_reserve, wear.law, damaged, new_laminar, flow, laminar)

    def _first_pump(self) -> Pump:
        """Return the pump fitted when the history begins (or the vehicle enters service).

        One used up before the history has been changed since: a younger one is drawn.
        """
        fitted = self.life.entry
        while True:
            pump = self._new_pump(fitted)
            own = self.life.alone(pump)
            left = (own[max(int(fitted), 0)] / self.life.family.limit) - 1.0
            if left > (1.0 - _NEARLY_USED_UP) * (pump.new_reserve / self.life.family.limit - 1.0):
                return pump
            fitted = self.rng.uniform(min(fitted, -30.0), 0.0)

    def live(self, visit_day: Floats) -> Life:
        """Live to the end of the history; ``visit_day`` are the planned tests."""
        life, rng = self.life, self.rng
        vain = self._vain_days()
        pump = self._first_pump()
        life.pumps.append(pump)
        search_from = max(int(np.ceil(pump.fitted)), 0)
        while True:
            life.shares = self._shares(life.faults)
            reserve = life.reserve(pump)
            below = np.flatnonzero(reserve[search_from:] < life.family.limit)
            first = search_from + int(below[0]) if below.size else self.days
            lag = 2.0 + float(rng.gamma(2.0, self.kind.lag_days / 2.0))
            out, on_road = first + lag, True
            for at in visit_day[(visit_day > first + 1) & (visit_day < out)]:
                if rng.random() < self.kind.changed_at_visit:
                    out, on_road = float(at) + 0.05, False
                    break
            early = [day for day in vain if pump.fitted + 60 < day < min(out, self.days - 1)]
            if early:
                self._remove(pump, early[0], failed=False, on_road=False)
                vain = [day for day in vain if day > early[0]]
                out = early[0]
            elif out >= self.days - 1:
                break
            elif reserve[int(out)] >= life.family.limit:
                # Somebody changed what was to blame before it stopped the vehicle.
                search_from = int(out) + 1
                continue
            elif (cause := self._blamed(pump, first)) == "pump_wear":
                self._remove(pump, out, failed=True, on_road=on_road)
            else:
                self._mend(cause, out, on_road=on_road)
                search_from = int(np.ceil(out))
                continue
            pump = self._new_pump(out)
            life.pumps.append(pump)
            search_from = int(np.ceil(out))
        self._draw_caps()
        return life

    def _vain_days(self) -> list[float]:
        """Return days on which somebody changes the pump in vain, injectors being to blame."""
        rng = self.rng
        n = int(rng.poisson(self.kind.changed_in_vain * self.days / _YEAR_DAYS))
        days = [float(day) for day in rng.uniform(0, self.days, size=n)]
        days += [
            fault.begins + 0.6 * (fault.ends - fault.begins)
            for fault in self.life.faults
            if fault.cause == "injector_leak" and rng.random() < _VAIN_WITH_INJECTOR
        ]
        return sorted(days)

    def _blamed(self, pump: Pump, day: int) -> str:
        losses = {cause: loss[day] for cause, loss in self.life.losses(pump).items()}
        return max(losses, key=losses.__getitem__)

    def _remove(self, pump: Pump, day: float, *, failed: bool, on_road: bool) -> None:
        pump.removed, pump.failed, pump.on_road = day, failed, on_road
        outcome = "failed_on_road" if on_road else "worn_confirmed"
        self.life.findings.append((day, "pump", outcome if failed else "no_fault_found"))

    def _mend(self, cause: str, day: float, *, on_road: bool) -> None:
        """Change the part that costs most of those to blame that are at work on ``day``."""
        at = np.array([day])
        at_work = [
            fault
            for fault in self.life.faults
            if fault.cause == cause and fault.begins < day < fault.ends
        ]
        if at_work:
            worst = max(at_work, key=lambda fault: float(fault.size_on(at)[0]))
            worst.ends, worst.on_road = day, on_road

    def _draw_caps(self) -> None:
        """Draw the regulator's cap; a regulator fitted has one of its own."""
        kind, rng = self.kind, self.rng
        cap = self.life.cap
        cap[:] = kind.cap_mean + kind.cap_spread * rng.normal()
        for fault in sorted(self.life.faults, key=lambda fault: fault.ends):
            if fault.part == "regulator" and fault.ends < self.days:
                cap[int(np.ceil(fault.ends)) :] = kind.cap_mean + kind.cap_spread * rng.normal()
        for fault in self.life.faults:
            if fault.ends < self.days:
                outcome = "failed_on_road" if fault.on_road else "worn_confirmed"
                self.life.findings.append((fault.ends, fault.part, outcome))


def draw_entry(days: int, rng: np.random.Generator) -> float:
    """Return the day a vehicle enters service: before the history for most. [d]"""
    if rng.random() < _JOINING_SHARE:
        return float(np.floor(rng.uniform(0, 0.7 * days)))
    return -float(np.floor(rng.uniform(30, _OLDEST_YEARS * _YEAR_DAYS)))
