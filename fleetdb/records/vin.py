"""Vehicle identification numbers: length, letters and check digit.

References
----------
49 CFR 565.15(c): transliteration, weights, and the check digit in position 9.
"""

from __future__ import annotations

VIN_LENGTH = 17
_CHECK_POSITION = 8
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_VALUES = {
    **{str(digit): digit for digit in range(10)},
    **dict(zip("ABCDEFGH", range(1, 9), strict=True)),
    **dict(zip("JKLMN", range(1, 6), strict=True)),
    "P": 7,
    "R": 9,
    **dict(zip("STUVWXYZ", range(2, 10), strict=True)),
}


def vin_check_digit(vin: str) -> str:
    """Return the check digit that belongs in position 9 of ``vin``.

    Raises
    ------
    ValueError
        Not 17 characters, or one that no VIN has (I, O and Q are never used).

    Examples
    --------
    >>> vin_check_digit("1M8GDM9AXKP042788")
    'X'
    """
    if len(vin) != VIN_LENGTH:
        raise ValueError(f"a VIN has {VIN_LENGTH} characters, not {len(vin)}")
    total = 0
    for position, (character, weight) in enumerate(zip(vin.upper(), _WEIGHTS, strict=True)):
        # The check digit itself has weight 0, so what stands there does not matter.
        if position == _CHECK_POSITION:
            continue
        if character not in _VALUES:
            raise ValueError(f"{character!r} is not used in a VIN")
        total += weight * _VALUES[character]
    remainder = total % 11
    return "X" if remainder == 10 else str(remainder)


def vin_oddity(vin: str) -> str | None:
    """Say in what ``vin`` is odd, or None.

    The check digit is compulsory in North America only and vehicles built before
    1981 have shorter numbers, so none of this makes a VIN wrong.
    """
    try:
        expected = vin_check_digit(vin)
    except ValueError as error:
        return str(error)
    found = vin[_CHECK_POSITION].upper()
    if found != expected:
        return (
            f"character 9 is {found!r}, the check digit would be {expected!r} "
            "(a slip in North America, nothing elsewhere)"
        )
    return None
