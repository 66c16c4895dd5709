"""What people noted of the odometers: mostly right, now and then a slip. Invented for the demo."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta

import numpy as np

from fleet.calc.arrays import KM_PER_MILE
from fleet.demo.drive import OFF_ROAD_D, Drive, chance

SILENT_D = {"off": OFF_ROAD_D - 20, "unread": 50}  # days since when nobody noted anything
SLIPPED_LATELY, WEEK_D = ("208", "213", "214"), 7  # so that today some wait for a decision
MISREAD = 5_000  # a digit read too high: nobody can tell yet whether the van went so far
SLIP = 0.02  # share of notes with a slip
SLIPS = ("swapped", "miles for km", "last digit lost", "twice", "noted late", "illegible")


@dataclass(frozen=True)
class Entry:
    """One note: a van, a day and a time, and the figure as it was written."""

    number: str
    depot: str
    day: date
    clock: time
    shown: str
    hours: float | None
    note: str = ""

    @property
    def moment(self) -> datetime:
        return datetime.combine(self.day, self.clock)


def noted(drive: Drive, since: date) -> Iterator[Entry]:
    """The notes on one van from a day on, in the order in which they were written."""
    rng = chance(drive.number, 3)
    day = max(since, date.fromisoformat(drive.van["Joined on"]))
    weekly = drive.van["Depot"] != "zarrovend-plain"
    while (day := _next(day, weekly, rng)) < drive.today:
        if (drive.today - day).days < SILENT_D.get(drive.story.partition(" ")[0], 0):
            return
        if rng.uniform() > 0.04:  # nobody looked that day
            entry = _entry(drive, day, rng)
            if drive.number in SLIPPED_LATELY and (drive.today - day).days <= WEEK_D:
                yield replace(entry, shown=str(int(entry.shown) + MISREAD))
            else:
                yield from _written(entry, drive, rng)


def _next(day: date, weekly: bool, rng: np.random.Generator) -> date:
    """The next Friday, or the next refuelling on a working day."""
    if weekly:
        return day + timedelta(days=(3 - day.weekday()) % 7 + 1)
    day += timedelta(days=int(rng.integers(3, 7)))
    return day + timedelta(days=day.weekday() == 6)


def _entry(drive: Drive, day: date, rng: np.random.Generator) -> Entry:
    minutes = int(rng.integers(6 * 60, 18 * 60))
    share = minutes / (24 * 60)
    hours = drive.hours_at(day, share)
    shown = f"{drive.shown(day, share):.0f}"
    depot = drive.depot_at(day)
    return Entry(drive.number, depot, day, time(minutes // 60, minutes % 60), shown, hours)


def _written(entry: Entry, drive: Drive, rng: np.random.Generator) -> Iterator[Entry]:
    if rng.uniform() >= SLIP:
        yield entry
        return
    slip = SLIPS[rng.integers(len(SLIPS))]
    if slip == "twice":
        yield from (entry, entry)
    elif slip == "noted late":
        # the hours are left out: beside papers of a day in between, nobody would doubt them
        yield replace(entry, day=min(entry.day + timedelta(days=3), drive.today), hours=None)
    elif slip == "illegible":
        yield replace(entry, shown="illegible", note="ink ran")
    else:
        yield replace(entry, shown=_slipped(entry.shown, slip, rng))


def _slipped(shown: str, slip: str, rng: np.random.Generator) -> str:
    if slip == "miles for km":
        return f"{float(shown) / KM_PER_MILE:.0f}"
    if slip == "last digit lost" or len(shown) < 3:
        return shown[:-1] or shown
    at = int(rng.integers(0, len(shown) - 1))
    return shown[:at] + shown[at + 1] + shown[at] + shown[at + 2 :]
