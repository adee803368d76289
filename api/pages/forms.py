"""Forms sent by a browser: fields to values, and refusals to words beside the fields."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeVar

from fleetdb.errors import ConflictError, InvalidInputError, Problem, SameIdOtherBodyError
from fleetdb.records.typed_numbers import number_typed
from fleetdb.units import Unit

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Refused:
    """Why a form was not taken: words for each field by its name, and for none of them."""

    status: int
    fields: dict[str, str] = field(default_factory=dict)
    general: list[str] = field(default_factory=list)
    sent_before: bool = False
    """True when the form's id is stored with other contents: it needs another id."""


def attempt(work: Callable[[], T], names: frozenset[str]) -> T | Refused:
    """Return what ``work`` returns, or why it refused; ``names`` are the form's fields.

    Errors that are not the sender's pass through.
    """
    try:
        return work()
    except InvalidInputError as error:
        fields: dict[str, str] = {}
        general: list[str] = []
        for problem in error.problems:
            name = problem.pointer.removeprefix("/")
            if name in names:
                fields.setdefault(name, problem.detail)
            else:
                general.append(f"{name}: {problem.detail}" if name else problem.detail)
        return Refused(422, fields, general)
    except SameIdOtherBodyError:
        told = (
            "This form was sent before with other contents, and that is stored. If this is "
            "another entry, send it once more; to correct what is stored, withdraw it."
        )
        return Refused(409, general=[told], sent_before=True)
    except ConflictError as error:
        return Refused(409, general=[str(error)])


def number_of(form: dict[str, str], name: str, unit: Unit | None = None) -> float | None:
    """Return a number as people type it, with a comma or a point; None where nothing is.

    Typed in ``unit``, it is returned in the inside one.

    Raises
    ------
    InvalidInputError
        It is no number, or one that can be read in two ways.
    """
    text = form.get(name, "")
    if not text:
        return None
    try:
        typed = number_typed(text)
        return float(typed) if unit is None else unit.inside(typed)
    except ValueError as error:
        raise InvalidInputError.at(f"/{name}", str(error)) from None


def all_of(*parts: Callable[[], T]) -> list[T]:
    """Return what each part of a form gives.

    Raises
    ------
    InvalidInputError
        With the problems of all parts, not only of the first.
    """
    given: list[T] = []
    problems: list[Problem] = []
    for part in parts:
        try:
            given.append(part())
        except InvalidInputError as error:
            problems += error.problems
    if problems:
        raise InvalidInputError(problems)
    return given
