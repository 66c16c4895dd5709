"""Letters typed where a digit belongs: O for 0, l and I for 1."""

import re

LONGEST = 64  # no number with its unit is longer; our choice
_DIGITS = str.maketrans("oOlI", "0011")
_BEFORE_A_DIGIT = r"(?:(?<=[0-9.,])|^)[oOlI]+(?=[.,]?[0-9])"
_LAST = r"(?<=[0-9.,])[{}]+(?=[.,\s]|$)"
# an l behind the last digit is the unit of litres, which no meter counts
_MISTYPED = re.compile(f"{_BEFORE_A_DIGIT}|{_LAST.format('oOI')}")
_MISTYPED_METER = re.compile(f"{_BEFORE_A_DIGIT}|{_LAST.format('oOlI')}")


def mistyped(text: str, *, of_meter: bool = False) -> str:
    """Ask about a number that holds such letters; empty: it holds none.

    As '“9l471” holds the letter l: was “91471” meant?'.
    """
    pattern = _MISTYPED_METER if of_meter else _MISTYPED
    found = pattern.findall(text) if len(text) <= LONGEST else []
    if not found:
        return ""
    letters = sorted({"O" if letter in "oO" else letter for run in found for letter in run})
    named = f"letter{'s' * (len(letters) > 1)} {' and '.join(letters)}"
    meant = pattern.sub(lambda run: run[0].translate(_DIGITS), text)
    return f"“{text}” holds the {named}: was “{meant}” meant?"
