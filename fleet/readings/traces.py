"""What people corrected of rows of uploads, in words: what is right, who said so, when and why."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from fleet.readings.listing import Now, corrections_of, said_now
from fleet.readings.models import RowCorrection, UploadRow


class Told(NamedTuple):
    """What is told of a row."""

    now: str  # what stands of it now, in words; empty: what was said first
    first: str  # what was said first


def told_of(rows: Sequence[dict[str, Any]]) -> dict[int, Told]:
    """What stands of rows now, and what was said first, by their ids.

    Parameters
    ----------
    rows
        Columns of upload rows: ``id``, ``outcome``, ``message``, and ``decisive_id``.
    """
    now = said_now({row["decisive_id"]: row["outcome"] for row in rows if row["decisive_id"]})
    made: dict[int, list[RowCorrection]] = defaultdict(list)
    for one in corrections_of([row["id"] for row in rows]):
        made[one.row_id].append(one)
    return {row["id"]: _told(row, now.get(row["decisive_id"]), made[row["id"]]) for row in rows}


def _told(row: dict[str, Any], now: Now | None, made: list[RowCorrection]) -> Told:
    if not made:
        return Told(": ".join(now or ()), row["message"])
    verdict, why = now or (row["outcome"], row["message"])
    words = f"{verdict}: {'; '.join([*map(_who, made[:-1]), _right(made[-1])])}. {why}"
    first = f"{made[0].outcome}: {made[0].message}" if made[0].message else made[0].outcome
    return Told(words.strip(), first)


def _right(one: RowCorrection) -> str:
    """What is right by a correction that none came after."""
    if one.outcome == UploadRow.Outcome.UNKNOWN_VEHICLE:
        return f"read as {one.vehicle}{_by(one)}"
    zone = ZoneInfo(one.vehicle.depot.zone)
    right = [f"{reading.value:.15g} {reading.unit}" for reading in _readings(one.row)]
    days = {reading.taken_at.astimezone(zone).date() for reading in _readings(one.row)}
    on = "".join(f" on {day}" for day in sorted(days))
    return f"corrected to {' and '.join(right)}{on}{_by(one)}"


def _readings(row: UploadRow) -> list[Any]:
    return [one for one in (row.reading, row.hours_reading) if one]


def _who(one: RowCorrection) -> str:
    known = one.outcome != UploadRow.Outcome.UNKNOWN_VEHICLE
    return f"corrected{_by(one)}" if known else f"read as {one.vehicle}{_by(one)}"


def _by(one: RowCorrection) -> str:
    """Who corrected, when and why; of a vehicle there is no other reason than its name."""
    on = one.corrected_at.astimezone(ZoneInfo(one.vehicle.depot.zone)).date()
    by = f", by {one.person}" if one.person else ", by somebody"
    return f"{by} on {on}{f' ({one.reason})' if one.reason else ''}"
