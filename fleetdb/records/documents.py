"""The documents of the contract, each checked as far as it can be on its own.

What needs the fleet's other documents (an unknown vehicle, a rail limit) is in
``plausibility``.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from fleetdb.records.fields import Date, Flag, Name, Number, Text, Time, Uuid, WholeNumber


class Document(BaseModel):
    """Base of every document: unknown fields refused, values never changed."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Part(StrEnum):
    """Parts whose fitting or failing the fleet records."""

    PUMP = "pump"
    INJECTOR = "injector"
    INJECTOR_SET = "injector_set"
    REGULATOR = "regulator"
    FUEL_FILTER = "fuel_filter"


class Outcome(StrEnum):
    """What was found when a part was looked at."""

    FAILED_ON_ROAD = "failed_on_road"
    WORN_CONFIRMED = "worn_confirmed"
    NO_FAULT_FOUND = "no_fault_found"


# Wide enough for a pressure typed in psi: what the rail can hold is checked against the
# family, whose message can then ask whether it was psi.
Bar = Annotated[Number, Field(ge=0, le=100_000)]
OdometerKm = Annotated[Number, Field(ge=0, le=10_000_000)]
Cylinder = Annotated[WholeNumber, Field(ge=1, le=24)]


class PumpFamily(Document):
    """Vehicles that share pump, rail and proof settings; one version of them."""

    pump_family: Name
    rail_max_bar: Annotated[Number, Field(ge=100, le=5_000)]
    proof_duty_pct: Annotated[Number, Field(gt=0, le=100)]
    proof_target_bar: Annotated[Number, Field(gt=0, le=5_000)]
    cylinders: Cylinder
    rail_volume_ml: Annotated[Number, Field(gt=0, le=10_000)] | None = None
    displacement_ml_per_engine_rev: Annotated[Number, Field(gt=0, le=1_000)] | None = None
    # Delivery strokes per turn of the engine, and the strokes after which the same plunger
    # delivers again: with both, a trace can tell a weak pumping element.
    pump_strokes_per_engine_rev: Annotated[Number, Field(gt=0, le=20)] | None = None
    pumping_elements: Annotated[WholeNumber, Field(ge=1, le=12)] | None = None
    proof_ratio_limit: Annotated[Number, Field(gt=0, le=1.5)]
    leak_limit_ml_per_min: Annotated[Number, Field(gt=0, le=10_000)] | None = None
    reference_fuel_temp_c: Annotated[Number, Field(ge=-40, le=150)]
    reference_crank_rpm: Annotated[Number, Field(ge=20, le=2_000)]
    applies_from: Date | None = None

    @model_validator(mode="after")
    def _target_is_within_the_rail(self) -> Self:
        if self.proof_target_bar > self.rail_max_bar:
            raise PydanticCustomError(
                "at:/proof_target_bar",
                "proof_target_bar {target} is above rail_max_bar {limit}: "
                "the proof must stay within what the rail can hold",
                {"target": self.proof_target_bar, "limit": self.rail_max_bar},
            )
        return self


class Vehicle(Document):
    """One vehicle of the fleet, known by its fleet number."""

    vehicle: Name
    pump_family: Name
    in_service_on: Date
    depot: Name | None = None
    vin: Name | None = None
    registration: Name | None = None


class Fitment(Document):
    """A part put on a vehicle; it ends the last fitment of that part and position."""

    fitment_id: Uuid
    vehicle: Name
    part: Part
    cylinder: Cylinder | None = None
    serial: Name | None = None
    fitted_at: Time
    odometer_km: OdometerKm | None = None
    reason: Text | None = None

    @model_validator(mode="after")
    def _cylinder_goes_with_one_injector(self) -> Self:
        if self.cylinder is not None and self.part is not Part.INJECTOR:
            raise PydanticCustomError(
                "at:/cylinder",
                "cylinder is only for part injector, not {part}",
                {"part": self.part.value},
            )
        if self.cylinder is None and self.part is Part.INJECTOR:
            raise PydanticCustomError(
                "at:/cylinder", "an injector needs its cylinder (or use part injector_set)"
            )
        return self


class Conditions(Document):
    """What the test was made under."""

    fuel_temp_c: Annotated[Number, Field(ge=-60, le=160)] | None = None
    crank_rpm: Annotated[Number, Field(gt=0, le=2_000)] | None = None
    battery_v: Annotated[Number, Field(gt=0, le=60)] | None = None


class Proof(Document):
    """Rail pressure reached while cranking with the regulator at a fixed duty."""

    duty_pct: Annotated[Number, Field(gt=0, le=100)] | None = None
    target_bar: Annotated[Number, Field(gt=0, le=100_000)]
    actual_bar: Bar


class Build(Document):
    """How fast rail pressure rose."""

    rate_bar_per_s: Annotated[Number, Field(ge=0, le=100_000)]
    from_bar: Bar | None = None
    to_bar: Bar | None = None

    @model_validator(mode="after")
    def _rises(self) -> Self:
        if self.from_bar is not None and self.to_bar is not None and self.to_bar <= self.from_bar:
            raise PydanticCustomError(
                "at:/to_bar",
                "to_bar {to_bar} must be above from_bar {from_bar}",
                {"to_bar": self.to_bar, "from_bar": self.from_bar},
            )
        return self


class CylinderLeak(Document):
    """Back-leak collected from one injector during the run."""

    cylinder: Cylinder
    ml: Annotated[Number, Field(ge=0, le=100_000)]


class Leak(Document):
    """Injector back-leak collected over a timed run."""

    duration_s: Annotated[Number, Field(gt=0, le=3_600)]
    rail_bar: Bar | None = None
    cylinders: Annotated[list[CylinderLeak], Field(min_length=1, max_length=24)]

    @model_validator(mode="after")
    def _each_cylinder_once(self) -> Self:
        seen: set[int] = set()
        for index, entry in enumerate(self.cylinders):
            if entry.cylinder in seen:
                raise PydanticCustomError(
                    f"at:/cylinders/{index}/cylinder",  # pyright: ignore[reportArgumentType]
                    "cylinder {cylinder} is given twice",
                    {"cylinder": entry.cylinder},
                )
            seen.add(entry.cylinder)
        return self


class TestRecord(Document):
    """One visit's readings and the conditions they were taken under.

    ``traces_follow`` says that pressure traces come after it: such a record may come
    without a reading, and its proof and build are then worked out from the traces.
    """

    __test__ = False  # not a test class, whatever pytest makes of the name

    record_id: Uuid
    vehicle: Name
    performed_at: Time
    odometer_km: OdometerKm | None = None
    engine_hours: Annotated[Number, Field(ge=0, le=1_000_000)] | None = None
    workshop: Name | None = None
    kit: Name | None = None
    technician: Name | None = None
    conditions: Conditions | None = None
    proof: Proof | None = None
    build: Build | None = None
    leak: Leak | None = None
    traces_follow: Flag | None = None
    note: Text | None = None
    supersedes: Uuid | None = None

    @property
    def has_reading(self) -> bool:
        """True when a figure was sent with the record itself."""
        return self.proof is not None or self.build is not None or self.leak is not None

    @model_validator(mode="after")
    def _holds_a_reading(self) -> Self:
        if not self.has_reading and not self.traces_follow:
            raise PydanticCustomError(
                "at:",
                "holds no reading: give at least one of proof, build, leak, or "
                "traces_follow: true when its pressure traces will be sent",
            )
        if self.supersedes == self.record_id:
            raise PydanticCustomError("at:/supersedes", "a record cannot supersede itself")
        return self


class KitCalibration(Document):
    """A kit was calibrated: what it read wrong before says nothing of it after."""

    calibration_id: Uuid
    kit: Name
    calibrated_at: Time
    note: Text | None = None


class Finding(Document):
    """What was found of a part: failed on the road, worn when opened, or no fault."""

    finding_id: Uuid
    vehicle: Name
    part: Part
    outcome: Outcome
    found_at: Time
    odometer_km: OdometerKm | None = None
    note: Text | None = None


class Kind(StrEnum):
    """Kinds of document, by the name of their file and resource, in loading order."""

    PUMP_FAMILIES = "pump_families"
    VEHICLES = "vehicles"
    KIT_CALIBRATIONS = "kit_calibrations"
    FITMENTS = "fitments"
    TEST_RECORDS = "test_records"
    FINDINGS = "findings"

    @property
    def model(self) -> type[Document]:
        return _MODELS[self]


_MODELS: dict[Kind, type[Document]] = {
    Kind.PUMP_FAMILIES: PumpFamily,
    Kind.VEHICLES: Vehicle,
    Kind.KIT_CALIBRATIONS: KitCalibration,
    Kind.FITMENTS: Fitment,
    Kind.TEST_RECORDS: TestRecord,
    Kind.FINDINGS: Finding,
}
