"""Bodies of requests that are no documents of the fleet."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from fleetdb.records.documents import Document, Vehicle
from fleetdb.records.fields import Name, Text, Time
from fleetdb.store.tokens import Role


class VoidRequest(Document):
    """Why a document is withdrawn."""

    reason: Text


class VehicleAmendment(Vehicle):
    """A vehicle's document as it should be from now on, and why it changed."""

    reason: Text

    def vehicle_document(self) -> Vehicle:
        """Return the vehicle document without the reason."""
        return Vehicle.model_validate(self.model_dump(exclude={"reason"}))


class TokenRequest(Document):
    """A new bearer token: who it is for and what it may do."""

    label: Name
    role: Role
    fleets: Annotated[list[Name], Field(min_length=1, max_length=1000)] | None = Field(
        None, description="The fleets it serves; left out: the fleet of this request."
    )
    workshop_name: Name | None = Field(
        None, description="For role workshop: the workshop its records come from."
    )
    expires_at: Time | None = Field(None, description="When it stops working; left out: never.")
