"""The errors the project raises on purpose: one base, one class per cause."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with one field of a document.

    ``pointer`` is an RFC 6901 JSON Pointer into the document ("" is the whole);
    ``detail`` says what is wrong and what would be right.
    """

    pointer: str
    detail: str


class FleetDbError(Exception):
    """Root of every error raised on purpose."""


class InvalidInputError(FleetDbError, ValueError):
    """Raised when a document or argument cannot be accepted as it stands."""

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = problems
        super().__init__("; ".join(f"{p.pointer or '/'}: {p.detail}" for p in problems))

    @classmethod
    def at(cls, pointer: str, detail: str) -> InvalidInputError:
        return cls([Problem(pointer, detail)])


class NotFoundError(FleetDbError):
    """Raised when something asked for by name or id is not in this fleet."""

    def __init__(self, kind: str, name: str) -> None:
        self.kind = kind
        self.name = name
        super().__init__(f"no {kind} {name!r} in this fleet")


class ConflictError(FleetDbError):
    """Raised when a document clashes with what is already stored."""


class SameIdOtherBodyError(ConflictError):
    """Raised when an id that is already stored comes again with another body."""

    def __init__(self, kind: str, existing_id: str, pointer: str) -> None:
        self.kind = kind
        self.existing_id = existing_id
        self.pointer = pointer
        super().__init__(
            f"{kind} {existing_id} is already stored with other contents; "
            "nothing is ever overwritten"
        )


class ForbiddenError(FleetDbError):
    """Raised when the caller is known but may not do this."""


class SettingError(FleetDbError):
    """Raised when a setting is missing or cannot be used; names the setting."""


class OutdatedSchemaError(FleetDbError):
    """Raised when the database is not at the schema this program expects."""
