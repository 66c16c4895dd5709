"""Services done, fills and usage sheets that fit how a van was driven. Invented for the demo."""

from calendar import monthrange
from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from typing import Any

import numpy as np

from fleet.demo import trial
from fleet.demo.drive import Drive, chance
from fleet.demo.fixtures import Line, words

Cells = dict[str, Any]

MONTH_D = 365.25 / 12
MONTHS = 14
SHARES = {  # of the interval used up today, by what the van's story tells of the service
    "": (0.03, 0.92),
    "due": (0.98, 0.99),
    "unread": (1.12, 1.15),
    "overdue": (1.08, 1.22),
}
PREVIOUS = (0.8, 1.0)  # of the interval used when it was done before
FORGOTTEN = 0.07  # share of yearly checks nobody did last autumn


class Records:
    """Reads services and limits of the fixtures for the vans one by one."""

    def __init__(self, tables: Mapping[str, list[Line]], today: date) -> None:
        self.today = today
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

    def done(self, drive: Drive) -> Iterator[Cells]:
        """Rows of the service history of a van, newest first within a service."""
        if drive.story == "unknown":
            return
        for index, service in enumerate(self.services[drive.van["Vehicle type"]]):
            rng = chance(drive.number, 100 + index)
            for day in self._days(drive, service, rng):
                yield self._row(drive, service, day)

    def _days(self, drive: Drive, service: Line, rng: np.random.Generator) -> Iterator[date]:
        if service["Service"] == trial.SERVICE and trial.takes_part(drive):
            yield trial.changed_on(drive)  # what was done before does not matter to the trial
            return
        story, _, about = drive.story.partition(" ")
        told = story if about == service["Service"] else ""
        limit = self._limit(drive, service, told)
        if limit["Yearly by month"]:
            yield from self._autumns(drive, rng, int(limit["Yearly by month"]))
            return
        day = _day_of_life(drive, limit, drive.today, rng.uniform(*SHARES[told]))
        if told == "due" and not limit["Interval [km]"]:
            day = _due_this_month(drive.today, int(limit["Interval [months]"]), rng)
        for _ in range(2):
            if day is None:
                return
            yield day
            day = _day_of_life(drive, limit, day, rng.uniform(*PREVIOUS))

    def _limit(self, drive: Drive, service: Line, told: str) -> Line:
        """The limit the depot went by; what is overdue by distance is so even by the normal one."""
        van_type = drive.van["Vehicle type"]
        kind = self.kinds[van_type, service["Compartment"]]["Kind"]
        severe = self.limits[van_type, service["Service"], "severe"]
        is_severe = kind in words(self.habits[drive.van["Depot"]], "Severe for")
        if is_severe and not (told == "overdue" and severe["Interval [km]"]):
            return severe
        return self.limits[van_type, service["Service"], "normal"]

    def _autumns(self, drive: Drive, rng: np.random.Generator, month: int) -> Iterator[date]:
        year = self.today.year - (self.today < date(self.today.year, month, 1))
        for back in range(3):
            day = date(year - back, month, 1) - timedelta(days=int(rng.integers(0, 25)))
            if (back > 0 or rng.uniform() > FORGOTTEN) and drive.first < day <= self.today:
                yield day

    def _row(self, drive: Drive, service: Line, day: date) -> Cells:
        before = day < date.fromisoformat(drive.van["Joined on"])
        paper = "service book of the owner before" if before else "workshop invoice"
        return {
            "Fleet number": drive.number,
            "Service": service["Service"],
            "Done on": day,
            "Total distance": round(drive.at(day)),
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
        habit = self.habits[drive.van["Depot"]]
        joined = date.fromisoformat(drive.van["Joined on"])
        end = self.today.replace(day=1)
        for _ in range(MONTHS):
            begin = (end - timedelta(days=1)).replace(day=1)
            km = drive.at(end, 0.0) - drive.at(begin, 0.0)
            if begin >= joined and rng.uniform() > 0.06:
                yield _usage_row(drive, habit, begin, km, rng)
            end = begin


def _due_this_month(today: date, months: int, rng: np.random.Generator) -> date:
    """So many months before a day between today and the end of the month."""
    last = monthrange(today.year, today.month)[1]
    due_on = today.replace(day=int(rng.integers(today.day, last + 1)))
    year, month = divmod(due_on.year * 12 + due_on.month - 1 - months, 12)
    return date(year, month + 1, min(due_on.day, monthrange(year, month + 1)[1]))


def _day_of_life(drive: Drive, limit: Line, until: date, share: float) -> date | None:
    """The day since when a van used up this share of the interval; None before its first day."""
    count = (until - drive.first).days
    days_used = count - np.arange(count)
    life = days_used / (MONTH_D * float(limit["Interval [months]"]))
    if limit["Interval [km]"]:
        km_used = drive.km[count] - drive.km[:count]
        life = np.maximum(life, km_used / float(limit["Interval [km]"]))
    reached = np.flatnonzero(life >= share)
    return drive.first + timedelta(days=int(reached[-1])) if len(reached) else None


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
