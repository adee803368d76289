"""Numbers as people and spreadsheets write them: decimal comma or point, never guessed wrong."""

from __future__ import annotations

import re
from fractions import Fraction

_LONGEST = 40
# Blanks that group thousands: plain, no-break, thin and narrow no-break.
_BLANKS = str.maketrans("", "", " \u00a0\u2009\u202f")
_PLAIN = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)(e[+-]?\d{1,2})?", re.ASCII | re.IGNORECASE)
_GROUPED = {
    ".": re.compile(r"[+-]?[1-9]\d{0,2}(,\d{3})+(\.\d+)?", re.ASCII),
    ",": re.compile(r"[+-]?[1-9]\d{0,2}(\.\d{3})+(,\d+)?", re.ASCII),
}
_THOUSANDS_OR_DECIMALS = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", re.ASCII)


def number_typed(text: str, decimal_mark: str | None = None) -> Fraction:
    """Return the number that ``text`` writes, exactly.

    ``decimal_mark`` is ``.`` or ``,`` where it is known; the other one may then group
    thousands. Where it is not, either is read as the decimal mark, but for what could as
    well be thousands.

    Raises
    ------
    ValueError
        It is no number, or one that can be read in two ways.

    Examples
    --------
    >>> float(number_typed("38,5")), float(number_typed("1.234,5", ","))
    (38.5, 1234.5)
    >>> number_typed("61.250")
    Traceback (most recent call last):
    ...
    ValueError: can be read as 61250 or as 61.25: write it in one of these ways
    """
    plain = text.strip().translate(_BLANKS).replace("\u2212", "-")
    if decimal_mark is not None and _GROUPED[decimal_mark].fullmatch(plain):
        plain = plain.replace("," if decimal_mark == "." else ".", "")
    if len(plain) > _LONGEST or not _PLAIN.fullmatch(plain):
        raise ValueError("is no number: write digits, such as 650 or 38.5")
    if decimal_mark is None and _THOUSANDS_OR_DECIMALS.fullmatch(plain):
        whole = re.sub("[.,]", "", plain)
        raise ValueError(
            f"can be read as {whole} or as {float(plain.replace(',', '.')):g}: "
            "write it in one of these ways"
        )
    if decimal_mark is not None and "," in plain.replace(decimal_mark, ""):
        raise ValueError("has a comma where the decimal mark is a point")
    if decimal_mark == "," and "." in plain:
        raise ValueError("has a point where the decimal mark is a comma")
    return Fraction(plain.replace(",", "."))
