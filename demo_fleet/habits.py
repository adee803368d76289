"""How people write results down: fields left out, lines sent twice, slips of the pen."""

from __future__ import annotations

import copy
from dataclasses import dataclass
from typing import Any
from uuid import UUID

import numpy as np

Record = dict[str, Any]
PSI_PER_BAR = 14.503774


@dataclass(frozen=True)
class HabitOptions:
    """Shares of records: first those that lack a field, then those with a slip."""

    no_proof: float = 0.02
    no_build: float = 0.15
    no_leak: float = 0.35
    no_fuel_temp: float = 0.15
    no_crank_rpm: float = 0.12
    no_battery: float = 0.30
    no_odometer: float = 0.05
    no_kit: float = 0.03
    no_build_span: float = 0.20
    no_leak_rail: float = 0.10
    sent_twice: float = 0.010
    sent_again_changed: float = 0.003
    refused_slip: float = 0.012
    retyped: float = 0.75
    corrected_slip: float = 0.006
    odometer_slip: float = 0.004


@dataclass(frozen=True)
class Line:
    """A line of test_records.ndjson, what should become of it, and the slip in it.

    ``expected`` is ``accepted``, ``already_there``, ``conflict`` or ``refused``.
    """

    record: Record
    expected: str
    slip: str | None = None


def random_uuid(rng: np.random.Generator) -> str:
    """Return a version 4 UUID from ``rng``."""
    return str(UUID(bytes=rng.bytes(16), version=4))


def write_down(options: HabitOptions, record: Record, rng: np.random.Generator) -> list[Line]:
    """Return the lines somebody sends for one good record: usually that one."""
    draw = rng.random()
    for share, habit in (
        (options.sent_twice, _sent_twice),
        (options.sent_again_changed, _sent_again_changed),
        (options.refused_slip, _refused_slip),
        (options.corrected_slip, _corrected_slip),
        (options.odometer_slip, _odometer_slip),
    ):
        if draw < share:
            return habit(options, record, rng)
        draw -= share
    return [Line(record, "accepted")]


def _sent_twice(options: HabitOptions, record: Record, rng: np.random.Generator) -> list[Line]:
    return [Line(record, "accepted"), Line(record, "already_there", "sent_twice")]


def _sent_again_changed(
    options: HabitOptions, record: Record, rng: np.random.Generator
) -> list[Line]:
    changed = {**record, "note": "typed again from the job sheet"}
    return [Line(record, "accepted"), Line(changed, "conflict", "same_id_other_body")]


def _refused_slip(options: HabitOptions, record: Record, rng: np.random.Generator) -> list[Line]:
    slips = [_future_year, _century_slip, _unknown_vehicle]
    if "proof" in record:
        slips.append(_psi_for_bar)
    if "leak" in record:
        slips += [_cylinder_twice, _cylinder_beyond]
    slip = slips[int(rng.integers(len(slips)))]
    wrong = copy.deepcopy(record)
    slip(wrong)
    lines = [Line(wrong, "refused", slip.__name__.removeprefix("_"))]
    if rng.random() < options.retyped:
        lines.append(Line(record, "accepted"))
    return lines


def _psi_for_bar(record: Record) -> None:
    record["proof"]["actual_bar"] = round(record["proof"]["actual_bar"] * PSI_PER_BAR)


def _future_year(record: Record) -> None:
    record["performed_at"] = f"{int(record['performed_at'][:4]) + 60}" + record["performed_at"][4:]
    # 29 February is none in most years, and the date must stay a date.
    record["performed_at"] = record["performed_at"].replace("-02-29", "-02-28")


def _century_slip(record: Record) -> None:
    record["performed_at"] = "19" + record["performed_at"][2:].replace("-02-29", "-02-28")


def _unknown_vehicle(record: Record) -> None:
    record["vehicle"] = record["vehicle"].replace("LM-", "ML-")


def _cylinder_twice(record: Record) -> None:
    record["leak"]["cylinders"][1]["cylinder"] = record["leak"]["cylinders"][0]["cylinder"]


def _cylinder_beyond(record: Record) -> None:
    record["leak"]["cylinders"][-1]["cylinder"] += 1


def _corrected_slip(options: HabitOptions, record: Record, rng: np.random.Generator) -> list[Line]:
    """Something wrong but possible is sent; the right record follows and supersedes it."""
    if "proof" not in record:
        return [Line(record, "accepted")]
    wrong = copy.deepcopy(record)
    wrong["record_id"] = random_uuid(rng)
    wrong["proof"]["actual_bar"] = float(round(record["proof"]["actual_bar"] / 10))
    right = {**record, "supersedes": wrong["record_id"], "note": "digit left out before"}
    return [Line(wrong, "accepted", "digit_left_out"), Line(right, "accepted")]


def _odometer_slip(options: HabitOptions, record: Record, rng: np.random.Generator) -> list[Line]:
    if "odometer_km" not in record:
        return [Line(record, "accepted")]
    slipped = {**record, "odometer_km": record["odometer_km"] // 10}
    return [Line(slipped, "accepted", "odometer_digit_left_out")]
