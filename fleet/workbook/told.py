"""What was found in a book, in a form that is kept: counts by sheet, faults and doubts by kind."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from fleet.workbook.load import Loaded
from fleet.workbook.notes import BookRefused, Note
from fleet.workbook.removing import how_to_remove

PLACES_TOLD = 50  # of one kind; our choice
LACKING_TOLD = 20  # rows of one sheet that the book lacks; our choice
_GIVEN = re.compile(r"'[^']*'|“[^”]*”|[0-9][0-9.,:/-]*")


@dataclass(frozen=True, slots=True)
class NoteKind:
    """Notes of one column that say the same of different rows."""

    sheet: str
    heading: str
    count: int
    notes: tuple[str, ...]  # whole sentences with their places, the first of them

    @property
    def more(self) -> int:
        return self.count - len(self.notes)


def kinds(notes: Iterable[Note]) -> list[NoteKind]:
    """Notes by kind: of one sheet and column, alike but for what the rows hold; the most first."""
    found: dict[tuple[str, str, str], list[Note]] = {}
    for note in notes:
        alike = _GIVEN.sub("…", note.message)
        found.setdefault((note.sheet, note.heading, alike), []).append(note)
    return sorted(
        (
            NoteKind(sheet, heading, len(alike), tuple(map(str, alike[:PLACES_TOLD])))
            for (sheet, heading, _), alike in found.items()
        ),
        key=lambda kind: -kind.count,
    )


def of_loaded(loaded: Loaded) -> dict[str, Any]:
    """What a book adds and changes, or did."""
    sheets = [
        {
            "name": name,
            "added": count.added,
            "changed": count.changed,
            "unchanged": count.unchanged,
            "lacking": len(count.lacking),
            "first_lacking": list(count.lacking[:LACKING_TOLD]),
            "to_remove_one": how_to_remove(name) if count.lacking else "",
        }
        for name, count in loaded.counts.items()
    ]
    return {"changes": loaded.changes, "sheets": sheets, **_notes((), loaded.warnings)}


def sheets_by_touch(told: dict[str, Any]) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Sheets that are told about row by row, and those that stay as they are."""
    parts: tuple[list[dict[str, Any]], list[dict[str, Any]]] = ([], [])
    for one in told.get("sheets", ()):
        parts[not (one["added"] or one["changed"] or one["lacking"])].append(one)
    return parts


def of_refused(refused: BookRefused) -> dict[str, Any]:
    """Why a book cannot be loaded."""
    return {"changes": 0, "sheets": [], **_notes(refused.faults, refused.warnings)}


def _notes(faults: Sequence[Note], doubts: Sequence[Note]) -> dict[str, Any]:
    return {
        "faults": len(faults),
        "doubts": len(doubts),
        "fault_kinds": [_as_json(kind) for kind in kinds(faults)],
        "doubt_kinds": [_as_json(kind) for kind in kinds(doubts)],
    }


def _as_json(kind: NoteKind) -> dict[str, Any]:
    return {
        "sheet": kind.sheet,
        "heading": kind.heading,
        "count": kind.count,
        "notes": list(kind.notes),
        "more": kind.more,
    }
