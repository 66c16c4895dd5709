"""Rows of ``fixtures/*.csv``: text as it stands, dates counted from today."""

import csv
import re
from collections.abc import Mapping
from datetime import date, timedelta

from django.conf import settings

FOLDER = settings.BASE_DIR / "fixtures"
_DAY = re.compile(r"today([+-]\d+)")

Line = dict[str, str]


def lines(name: str, today: date) -> list[Line]:
    """Rows of one file, heading to text; ``today-400`` becomes a date."""
    with (FOLDER / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return [
            {heading: _dated(text, today) for heading, text in row.items()}
            for row in csv.DictReader(file)
        ]


def by(heading: str, rows: list[Line]) -> dict[str, Line]:
    return {row[heading]: row for row in rows}


def words(row: Mapping[str, str], heading: str) -> list[str]:
    return [word.strip() for word in row[heading].split(";") if word.strip()]


def _dated(text: str, today: date) -> str:
    found = _DAY.fullmatch(text)
    return (today + timedelta(days=int(found[1]))).isoformat() if found else text
