"""The form that records a kit's calibration: read, checked, and stored once."""

from __future__ import annotations

import json
import uuid
from dataclasses import dataclass
from datetime import UTC, datetime

from api.calls import Call
from fleetdb.errors import InvalidInputError, SameIdOtherBodyError
from fleetdb.records.documents import Kind, KitCalibration
from fleetdb.records.parsing import parse_as
from fleetdb.store.ingest import accept

_SENT_BEFORE = (
    "This form was sent before, with another day, time or note, and that is stored. If this is "
    "another calibration, send it once more."
)


@dataclass(frozen=True, slots=True)
class CalibrationForm:
    """What the form says. Its id is chosen when it is shown: sent twice, it is stored once."""

    calibration_id: str
    day: str
    time: str
    note: str

    @classmethod
    def fresh(cls) -> CalibrationForm:
        """Return the form as it is first shown: now, in UTC."""
        now = datetime.now(UTC)
        return cls(str(uuid.uuid4()), f"{now:%Y-%m-%d}", f"{now:%H:%M}", "")

    @classmethod
    def of(cls, fields: dict[str, str]) -> CalibrationForm:
        names = ("calibration_id", "day", "time", "note")
        return cls(*(fields.get(name, "") for name in names))

    def document(self, kit: str) -> KitCalibration:
        """Return the document it stands for.

        Raises
        ------
        InvalidInputError
            The day, the time or the note cannot be used.
        """
        # A browser that shows seconds sends them.
        time = self.time if self.time.count(":") == 2 else f"{self.time}:00"
        fields = {
            "calibration_id": self.calibration_id,
            "kit": kit,
            "calibrated_at": f"{self.day}T{time}Z",
            **({"note": self.note} if self.note else {}),
        }
        return parse_as(KitCalibration, json.dumps(fields).encode())


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
        again = CalibrationForm(str(uuid.uuid4()), form.day, form.time, form.note)
        return again, [_SENT_BEFORE]
    outcome = "already_there" if accepted.already_there else "accepted"
    call.services.metrics.count_document(Kind.KIT_CALIBRATIONS.value, outcome)
    return form, []
