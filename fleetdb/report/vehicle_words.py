"""How a test's figures came about, in sentences: what was taken out, and what was set aside."""

from __future__ import annotations

from fleetdb.report.vehicle_account import TestTold
from fleetdb.trend.vehicle_in_full import FamilySettings
from fleetdb.trend.vehicle_tests import Reading, TestSeen

# A reading is given to three digits; what makes less than this of it makes nothing.
_NOTHING = 0.0005


def how_corrected(test: TestSeen, applied: FamilySettings) -> list[str]:
    """Return how each reading of a test was brought to reference conditions, by how much."""
    said: list[str] = []
    if test.proof_ratio is not None:
        said.append(_reading("Proof ratio", test.proof_ratio, 3, test, applied))
    if test.build_rate_bar_per_s is not None:
        said.append(
            _reading("Build rate", test.build_rate_bar_per_s, 0, test, applied, of_a_window=True)
        )
    if test.leaks:
        said.append(_leaks(test, applied))
    return said


def why_set_aside(test: TestSeen) -> list[str]:
    """Return which readings are taken to be botched, and why; nothing if none is."""
    readings = (("proof ratio", test.proof_ratio), ("build rate", test.build_rate_bar_per_s))
    return [
        f"The {name} is set aside: {reading.probability_botched:.0%} likely to be botched. It "
        "does not fit the tests before it: more likely the run went wrong than the pump. It hardly "
        "moves the verdict; a next test that agrees with it is believed."
        for name, reading in readings
        if reading is not None and reading.is_set_aside
    ]


def why_not_used(test: TestTold) -> str | None:
    """Return why the trend makes nothing of a test, or None if it does."""
    if test.view.void_reason is not None:
        return f"Withdrawn: {test.view.void_reason}"
    if test.view.superseded_by is not None:
        return "Replaced by a later record that corrects it."
    if test.seen is None:
        return "Not used: it lies after the moment judged, or before any pump was on record."
    if test.duty_differs:
        return (
            "The proof was made at another regulator duty than the family's: it cannot be "
            "compared, and is left out."
        )
    return None


def _reading(
    name: str,
    reading: Reading,
    digits: int,
    test: TestSeen,
    applied: FamilySettings,
    *,
    of_a_window: bool = False,
) -> str:
    if test.kit is None:
        kit = "no kit named, so nothing is known of its error"
    elif abs(reading.kit - 1) < _NOTHING:
        kit = f"kit {test.kit} reads true"
    else:
        way = "high" if reading.kit > 1 else "low"
        kit = f"kit {test.kit} reads {_share(reading.kit)} {way}"
        if of_a_window:
            kit += ", the pressures between which it is timed included"
    warmth = _condition(
        "fuel temperature",
        None if test.fuel_temp_c is None else f"fuel at {test.fuel_temp_c:.0f} °C",
        f"reference {applied.reference_fuel_temp_c:.0f} °C",
        reading.temperature,
    )
    speed = _condition(
        "crank speed",
        None if test.crank_rpm is None else f"cranked at {test.crank_rpm:.0f} rpm",
        f"reference {applied.reference_crank_rpm:.0f} rpm",
        reading.speed,
    )
    return (
        f"{name} {reading.raw:.{digits}f} as measured; {kit}; {warmth}; {speed}: "
        f"{reading.corrected:.{digits}f} at reference conditions with a true kit."
    )


def _condition(name: str, measured: str | None, reference: str, made: float) -> str:
    if abs(made - 1) < _NOTHING:
        effect = "which changed nothing"
    else:
        effect = f"which {'added' if made > 1 else 'took'} {_share(made)}"
    if measured is None:
        return f"{name} not noted, the usual one taken, with its spread, {effect}"
    return f"{measured} ({reference}), {effect}"


def _leaks(test: TestSeen, applied: FamilySettings) -> str:
    said = f"Leak times {test.leak_temperature:.2f} for the fuel's temperature"
    if test.fuel_temp_c is None:
        said += " (not noted: the usual one)"
    if applied.usual_leak_rail_bar is not None and test.leak_pressure != 1:
        said += (
            f" and {test.leak_pressure:.2f} for a rail pressure other than the usual "
            f"{applied.usual_leak_rail_bar:.0f} bar"
        )
    return said + "."


def _share(made: float) -> str:
    return f"{100 * abs(made - 1):.1f} %"
