"""The form that records a kit's calibration: read, checked, and stored once."""

from __future__ import annotations

import uuid
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime

from api.calls import Call
from api.pages.clocks import UTC_OFFSET, moment_of
from fleetdb.errors import InvalidInputError, SameIdOtherBodyError
from fleetdb.records.documents import Kind, KitCalibration
from fleetdb.records.parsing import parse_as
from fleetdb.store.ingest import accept

_SENT_BEFORE = (
    "This form was sent before, with another time or note, and that is stored. If this is "
    "another calibration, send it once more."
)


@dataclass(frozen=True, slots=True)
class CalibrationForm:
    """What the form says. Its id is chosen when it is shown: sent twice, it is stored once."""

    calibration_id: str
    calibrated_at: str
    utc_offset: str
    note: str

    @classmethod
    def fresh(cls) -> CalibrationForm:
        """Return the form as it is first shown: now, in UTC."""
        now = datetime.now(UTC)
        return cls(str(uuid.uuid4()), f"{now:%Y-%m-%dT%H:%M}", "+00:00", "")

    @classmethod
    def of(cls, fields: dict[str, str]) -> CalibrationForm:
        names = ("calibration_id", "calibrated_at", UTC_OFFSET, "note")
        return cls(*(fields.get(name, "") for name in names))

    def document(self, kit: str) -> KitCalibration:
        """Return the document it stands for.

        Raises
        ------
        InvalidInputError
            The time, the clock or the note cannot be used.
        """
        fields = {
            "calibration_id": self.calibration_id,
            "kit": kit,
            "calibrated_at": moment_of(asdict(self), "calibrated_at"),
            **({"note": self.note} if self.note else {}),
        }
        return parse_as(KitCalibration, fields)


def store_calibration(
    call: Call, kit: str, form: CalibrationForm
) -> tuple[CalibrationForm, list[str]]:
    """Store what the form says; return the form to show again with what is wrong, if anything."""
    try:
        document = form.document(kit)
        with call.store.write() as session:
            accepted = accept(
                session,
                call.fleet_id,
                Kind.KIT_CALIBRATIONS,
                document,
                call.actor,
                call.caller.token_id,
            )
    except InvalidInputError as error:
        return form, [problem.detail for problem in error.problems]
    except SameIdOtherBodyError:
        again = replace(form, calibration_id=str(uuid.uuid4()))
        return again, [_SENT_BEFORE]
    outcome = "already_there" if accepted.already_there else "accepted"
    call.services.metrics.count_document(Kind.KIT_CALIBRATIONS.value, outcome)
    return form, []
