"""The six kinds of document as REST resources: address, id, and who may use them."""

from __future__ import annotations

from dataclasses import dataclass

from api.calls import EVERYONE, MANAGERS
from fleetdb.records.documents import Kind
from fleetdb.store.tokens import Role


@dataclass(frozen=True, slots=True)
class Resource:
    """How one kind of document is reached. ``noun`` is its name in a sentence."""

    kind: Kind
    id_field: str
    noun: str
    post_roles: frozenset[Role]
    read_roles: frozenset[Role]
    filters: tuple[str, ...]

    @property
    def path(self) -> str:
        """The collection's address below /v1."""
        return "/" + self.kind.value.replace("_", "-")


_PERIOD = ("from_time", "until_time")
TEST_RECORDS = Resource(
    Kind.TEST_RECORDS,
    "record_id",
    "test record",
    EVERYONE,
    EVERYONE,
    ("vehicle", "workshop", "kit", *_PERIOD),
)
RESOURCES = (
    Resource(
        Kind.PUMP_FAMILIES, "pump_family", "pump family", MANAGERS, MANAGERS, ("pump_family",)
    ),
    Resource(Kind.VEHICLES, "vehicle", "vehicle", MANAGERS, MANAGERS, ("pump_family", "depot")),
    Resource(
        Kind.KIT_CALIBRATIONS,
        "calibration_id",
        "kit calibration",
        MANAGERS,
        MANAGERS,
        ("kit", *_PERIOD),
    ),
    # A workshop sends what it did and found, and reads back its test records only:
    # fitments and findings do not say which workshop they came from.
    Resource(
        Kind.FITMENTS, "fitment_id", "fitment", EVERYONE, MANAGERS, ("vehicle", "part", *_PERIOD)
    ),
    TEST_RECORDS,
    Resource(
        Kind.FINDINGS, "finding_id", "finding", EVERYONE, MANAGERS, ("vehicle", "part", *_PERIOD)
    ),
)
