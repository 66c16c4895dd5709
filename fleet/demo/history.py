"""What was done before the program was there, and usage sheets, as they fit how a van was driven.

Invented for the demo.
"""

from calendar import monthrange
from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fleet.demo.drive import Drive, chance
from fleet.demo.fixtures import Line, words

Cells = dict[str, Any]

MONTH_D = 365.25 / 12
LEAD_D = 430  # usage sheets from before the program, on which the first duty class rests
SHARES = {  # of the interval used up today, by what the van's story tells of the service
    "": (0.03, 0.92),
    "due": (0.98, 0.99),
    "unread": (1.12, 1.15),
    "overdue": (1.08, 1.22),
}
PREVIOUS = (0.8, 1.0)  # of the interval used when it was done before
FORGOTTEN = 0.07  # share of yearly checks nobody did the autumn before


class Records:
    """What was done before the program was there, read off the fixtures' limits van by van."""

    def __init__(self, tables: Mapping[str, list[Line]], since: date, today: date) -> None:
        self.since, self.today = since, today
        self.limits = {
            (row["Vehicle type"], row["Service"], row["Duty class"]): row
            for row in tables["limits"]
            if row["Occasion"] == "repeat"
        }
        limited = {(vehicle_type, service) for vehicle_type, service, _ in self.limits}
        self.services: dict[str, list[Line]] = {}
        for row in tables["services"]:
            if (row["Vehicle type"], row["Service"]) in limited:  # others are due only on call
                self.services.setdefault(row["Vehicle type"], []).append(row)
        self.kinds = {
            (row["Vehicle type"], row["Compartment"]): row for row in tables["compartments"]
        }
        self.habits = {row["Depot"]: row for row in tables["usage-habits"]}
        self.filled = {
            kind: row["Product"] for row in tables["products"] for kind in words(row, "Filled into")
        }

    def services_of(self, drive: Drive) -> list[Line]:
        return self.services[drive.van["Vehicle type"]]

    def begin(self, drive: Drive) -> date:
        """From when on the program knows a van."""
        return max(self.since, date.fromisoformat(drive.van["Joined on"]))

    def done(self, drive: Drive) -> Iterator[Cells]:
        """Rows of the service history of a van before that day, newest first within a service."""
        for service in self.services_of(drive):
            for day in self._days(drive, service):
                yield self._row(drive, service, day)

    def last(self, drive: Drive, service: Line) -> date | None:
        """When a service was last done before that day."""
        return next(self._days(drive, service), None)

    def rounds(self, drive: Drive) -> Iterator[Cells]:
        """The drivers' last rounds."""
        if drive.story == "unknown":
            return
        for service in self.services_of(drive):
            if service["Round"] == "yes":
                rng = chance(drive.number, 90)
                limit = self.limit(drive, service)
                day = day_before(drive, limit, drive.today, rng.uniform(*SHARES[""]))
                if day is not None and day > self.begin(drive):
                    yield self._row(drive, service, day)

    def _days(self, drive: Drive, service: Line) -> Iterator[date]:
        rng = chance(drive.number, 100 + self.services_of(drive).index(service))
        limit, begin = self.limit(drive, service), self.begin(drive)
        if drive.story == "unknown":
            return
        if limit["Yearly by month"]:
            yield from self._autumns(drive, rng, int(limit["Yearly by month"]))
            return
        day = day_before(drive, limit, begin, rng.uniform(*SHARES[""]))
        for _ in range(2):
            if day is None:
                return
            yield day
            day = day_before(drive, limit, day, rng.uniform(*PREVIOUS))

    def limit(self, drive: Drive, service: Line) -> Line:
        """The limit the depot went by."""
        van_type = drive.van["Vehicle type"]
        kind = self.kinds[van_type, service["Compartment"]]["Kind"]
        severe = kind in words(self.habits[drive.van["Depot"]], "Severe for")
        return self.limits[van_type, service["Service"], "severe" if severe else "normal"]

    def _autumns(self, drive: Drive, rng: np.random.Generator, month: int) -> Iterator[date]:
        begin = self.begin(drive)
        year = begin.year - (begin < date(begin.year, month, 1))
        for back in range(2):
            day = date(year - back, month, 1) - timedelta(days=int(rng.integers(0, 25)))
            if (back > 0 or rng.uniform() > FORGOTTEN) and drive.first < day < begin:
                yield day

    def _row(self, drive: Drive, service: Line, day: date) -> Cells:
        before = day < date.fromisoformat(drive.van["Joined on"])
        paper = "service book of the owner before" if before else "workshop invoice"
        return {
            "Fleet number": drive.number,
            "Service": service["Service"],
            "Done on": day,
            "Total distance": round(drive.at(day)),
            "Total engine hours [h]": drive.hours_at(day) or "",
            "Evidence": "baseline" if before else "outside workshop",
            "Source": f"{paper}, invented for the demo",
        }

    def fills(self, drive: Drive, done: list[Cells]) -> Iterator[Cells]:
        """What is in each compartment since its newest change, or since the factory."""
        newest: dict[str, date] = {}
        for row in done:
            newest.setdefault(row["Service"], row["Done on"])
        for service in self.services[drive.van["Vehicle type"]]:
            if service["Kind"] != "change" or drive.story == "unknown":
                continue
            kind = self.kinds[drive.van["Vehicle type"], service["Compartment"]]
            day = newest.get(service["Service"])
            product = {"What": "factory fill"}
            if day is not None:
                product = {"What": "product", "Product": self.filled[kind["Kind"]]}
            yield product | {
                "Fleet number": drive.number,
                "Compartment": service["Compartment"],
                "Filled on": day or drive.first,
                "Quantity [L]": kind["Service refill with filter [L]"]
                or kind["Service refill [L]"],
                "Source": "invented for the demo",
            }

    def usage(self, drive: Drive) -> Iterator[Cells]:
        """Usage sheets of the months behind us; now and then one is missing."""
        rng = chance(drive.number, 2)
        joined = date.fromisoformat(drive.van["Joined on"])
        end = self.today.replace(day=1)
        while end > self.since - timedelta(days=LEAD_D):
            begin = (end - timedelta(days=1)).replace(day=1)
            km = drive.at(end, 0.0) - drive.at(begin, 0.0)
            if begin >= joined and rng.uniform() > 0.06:
                habit = self.habits[drive.habit_at(begin)]
                yield _usage_row(drive, habit, begin, km, rng)
            end = begin


def due_this_month(today: date, months: int, rng: np.random.Generator) -> date:
    """So many months before a day between today and the end of the month."""
    last = monthrange(today.year, today.month)[1]
    due_on = today.replace(day=int(rng.integers(today.day, last + 1)))
    year, month = divmod(due_on.year * 12 + due_on.month - 1 - months, 12)
    return date(year, month + 1, min(due_on.day, monthrange(year, month + 1)[1]))


def day_before(drive: Drive, limit: Line, until: date, share: float) -> date | None:
    """The day since when a van used up this share of the interval; None before its first day."""
    count = (until - drive.first).days
    life = _life(limit, count - np.arange(count), drive.km[count] - drive.km[:count])
    reached = np.flatnonzero(life >= share)
    return drive.first + timedelta(days=int(reached[-1])) if len(reached) else None


def day_when(drive: Drive, limit: Line, since: date, share: float) -> date:
    """The day by which a van used up this share of the interval; the day after today at most."""
    at = max((since - drive.first).days, 0)
    km = drive.km[at:]
    life = _life(limit, np.arange(len(km)), km - km[0])
    return drive.first + timedelta(days=at + int(np.searchsorted(life, share)))


def _life(limit: Line, days: NDArray[np.int64], km: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shares of an interval that days and distances use up, whichever is more."""
    life = days / (MONTH_D * float(limit["Interval [months]"]))
    if limit["Interval [km]"]:
        life = np.maximum(life, km / float(limit["Interval [km]"]))
    return np.asarray(life, dtype=np.float64)


def _usage_row(
    drive: Drive, habit: Line, month: date, km: float, rng: np.random.Generator
) -> Cells:
    speed = float(habit["Mean speed [km/h]"]) * rng.uniform(0.92, 1.08)
    trips = round(float(habit["Trips per working day"]) * 22 * (km > 0) * rng.uniform(0.9, 1.1))
    under_8 = round(trips * float(habit["Trips under 8 km"]) * rng.uniform(0.8, 1.2))
    under_16 = max(under_8, round(trips * float(habit["Trips under 16 km"])))
    engine = drive.van["Vehicle type"] != "pv-e"
    idle = float(habit["Idle share"]) * rng.uniform(0.8, 1.2)
    return {
        "Fleet number": drive.number,
        "Month": f"{month:%Y-%m}",
        "Trips": trips,
        "Trips under 8 km": under_8,
        "Trips under 16 km": min(under_16, trips),
        "Stops per 10 km": round(float(habit["Stops per 10 km"]) * rng.uniform(0.9, 1.1), 1),
        "Mean speed [km/h]": round(speed, 1),
        "Engine hours [h]": round(km / speed, 1) if engine else "",
        "Idle hours [h]": round(idle * km / speed, 1) if engine else "",
        "Unpaved share": float(habit["Unpaved share"]),
        "Loaded share": float(habit["Loaded share"]),
        "Source": "trip recorder, invented for the demo",
    }
