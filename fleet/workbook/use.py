"""Whose duty class must be decided again after a load, and from which month on."""

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta

import numpy as np

from fleet.duty import assess
from fleet.workbook.columns import Row, Sheet, fold
from fleet.workbook.world import Stored, World


def decide_again(since: Mapping[int, date], now: datetime) -> int:
    """Decide duty classes again where use was said anew; give the number of rows changed.

    Due dates follow by themselves in the next night.
    """
    if not since:
        return 0
    month_on = now.astimezone(UTC).date().replace(day=1)
    ids = np.array(sorted(since), dtype=np.int64)
    return assess.assess(ids, month_on, assess.rules_stamp(), since_on=min(since.values()))


def use_changed(
    world: World, changed: Sequence[tuple[Sheet, Sequence[Row]]], today: date
) -> dict[int, date]:
    """What was said anew of the use of known vehicles; new ones are assessed from the start."""
    since: dict[int, date] = {}
    for sheet, rows in changed:
        month_of = _FIRST_MONTHS.get(sheet.name)
        for row in rows if month_of else ():
            known = world.fleet["Vehicles"].get((fold(row[0]),))
            month_on = month_of(sheet, row, known, today) if month_of and known else None
            if known and month_on is not None and month_on <= today:
                since[known.id] = min(month_on, since.get(known.id, month_on))
    return since


def _after_the_sheet(sheet: Sheet, row: Row, known: Stored, today: date) -> date:
    """A class in force rests on the months before it."""
    month_on: date = row[sheet.at["month_on"]]
    return (month_on + timedelta(days=31)).replace(day=1)


def _of_the_stay(sheet: Sheet, row: Row, known: Stored, today: date) -> date:
    from_on: date = row[sheet.at["from_on"]]
    return from_on.replace(day=1)


def _of_the_declaration(sheet: Sheet, row: Row, known: Stored, today: date) -> date | None:
    at = sheet.at["declared_use"]
    return None if row[at] == known.row[at] else today.replace(day=1)


_FIRST_MONTHS: dict[str, Callable[[Sheet, Row, Stored, date], date | None]] = {
    "Usage sheets": _after_the_sheet,
    "Depot stays": _of_the_stay,
    "Vehicles": _of_the_declaration,
}
