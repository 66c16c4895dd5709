"""A second look at a vehicle identification number: a warning, never a refusal.

The check digit is required in North America (49 CFR 565.15) and not by ISO 3779, and one wrong
character in thirteen still passes it: it can neither prove nor disprove a number.
"""

from __future__ import annotations

LENGTH = 17
# 49 CFR 565.15(c), Table III: letters I, O and Q are never used.
_VALUES = {str(digit): digit for digit in range(10)} | {
    letter: value
    for letters, first in (("ABCDEFGH", 1), ("JKLMN", 1), ("P", 7), ("R", 9), ("STUVWXYZ", 2))
    for value, letter in enumerate(letters, first)
}
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)  # Table IV
_CHECK_AT = 8  # ninth character
_REMAINDERS = "0123456789X"  # Table V


def tidy(text: str) -> str:
    """The number in capitals, without the blanks and hyphens people put between its groups."""
    return "".join(text.upper().replace("-", "").split())


def warning(text: str) -> str | None:
    """What looks wrong with a VIN, or None; an empty one is not warned about."""
    vin = tidy(text)
    if not vin:
        return None
    if len(vin) != LENGTH:
        return f"A VIN has {LENGTH} characters, this one has {len(vin)}: compare it with the plate."
    strange = sorted(set(vin) - _VALUES.keys())
    if strange:
        return f"A VIN never contains {', '.join(strange)}: I, O and Q are often 1 and 0 misread."
    if vin[_CHECK_AT] != check_digit(vin):
        return (
            f"The ninth character should be {check_digit(vin)} for a vehicle made for North "
            "America: compare it with the plate. Other makers are free to use any character here."
        )
    return None


def check_digit(vin: str) -> str:
    """The ninth character that the other sixteen ask for; `vin` is tidy and complete."""
    total = sum(_VALUES[c] * weight for c, weight in zip(vin, _WEIGHTS, strict=True))
    return _REMAINDERS[total % 11]
