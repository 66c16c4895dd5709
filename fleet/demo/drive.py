"""How each van of the demo was driven, day by day. Every figure here is invented for the demo."""

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fleet.calc.arrays import KM_PER_MILE
from fleet.demo.fixtures import Line

SEED = 20_250_307
WEEK = (1.0, 1.0, 1.05, 1.0, 1.1, 0.3, 0.0)  # Monday first
YEAR = (0.9, 0.92, 0.98, 1.0, 1.0, 0.98, 0.92, 0.8, 1.0, 1.05, 1.2, 1.25)  # January first
SCATTER = 0.18  # of one day's distance, log scale
IDLE_SPELLS_PER_YEAR, SPELL_D = 1.6, (4, 16)
OFF_ROAD_D = 70
NEW_METER_D = 110  # days ago, as those that follow
KNOWN_BY_D = 60  # after so many days a reading that falls back says something
MOVED_D = 160
NEW_ROUND_D = 400
HOURS_KM_PER_H = 27.0  # km per engine hour of the large vans, which have a meter of it
FURTHER = 1_001  # first fleet number of vans beyond those of the story


@dataclass(frozen=True)
class Drive:
    """One van: ``km[i]`` is its true total at the start of day ``first + i``."""

    van: Line
    first: date
    today: date
    km: NDArray[np.float64]

    @property
    def number(self) -> str:
        return self.van["Fleet number"]

    @property
    def story(self) -> str:
        return self.van["Story"]

    @property
    def has_engine(self) -> bool:
        return self.van["Vehicle type"] != "pv-e"

    def since(self, day: date) -> "Drive":
        """The same van, where the program knows it since a day: a meter replaced before, or before
        the van is known well enough to tell, is no story of its."""
        known_d = (self.today - day).days
        before = self.story == "new meter" and known_d <= NEW_METER_D + KNOWN_BY_D
        return replace(self, van=self.van | {"Story": ""}) if before else self

    def hours_at(self, day: date, share: float = 0.5) -> float | None:
        """Engine hours then [h]; None where there is no meter."""
        if self.van["Vehicle type"] != "pv-xl":
            return None
        return round(self.at(day, share) / HOURS_KM_PER_H, 1)

    def depot_at(self, day: date) -> str:
        """Where it is based on a day: the moved one came over from the coast."""
        if self.story == "moved" and (self.today - day).days > MOVED_D:
            return "ulmesqua-coast"
        return self.van["Depot"]

    def habit_at(self, day: date) -> str:
        """The depot whose kind of rounds it drives: one left the town for the open road."""
        if self.story == "new round" and (self.today - day).days <= NEW_ROUND_D:
            return "zarrovend-plain"
        return self.depot_at(day)

    def at(self, day: date, share: float = 0.5) -> float:
        """True total at a share of a day, 0 to 1 [km]."""
        index = min(max((day - self.first).days, 0), len(self.km) - 2)
        return float(self.km[index] + share * (self.km[index + 1] - self.km[index]))

    def shown(self, day: date, share: float) -> float:
        """What the odometer shows then, in its own unit; a replaced meter began at 0."""
        km = self.at(day, share)
        change = date.fromordinal(self.today.toordinal() - NEW_METER_D)
        if self.story == "new meter" and day >= change:
            km -= self.at(change, 0.0)
        return km / KM_PER_MILE if self.van["Odometer shows"] == "mi" else km


def is_further(drive: Drive) -> bool:
    """Whether a van is one of those that make the demo larger, and has no story of its own."""
    return int(drive.number) >= FURTHER


def further(vans: list[Line], count: int) -> list[Line]:
    """So many vans more: like those without a story, each with a mileage of its own."""
    like = [van for van in vans if not van["Story"] and van["New or used"] == "new"]
    found = []
    for at in range(count):
        number = str(FURTHER + at)
        rng = np.random.default_rng([SEED, 9, at])
        van = like[at % len(like)]
        km = round(float(van["Km per working day"]) * rng.uniform(0.6, 1.5))
        own = {"Fleet number": number, "Registration": f"DEMO {number}"}
        found.append(van | own | {"Km per working day": str(km), "Note": ""})
    return found


def chance(number: str, purpose: int) -> np.random.Generator:
    """Chances of one van for one purpose, the same on every run."""
    return np.random.default_rng([SEED, purpose, int(number)])


def working(day: date) -> date:
    """The same day, or the Friday before a weekend."""
    return day - timedelta(days=max(0, day.weekday() - 4))


def open_on(day: date, week: np.busdaycalendar, *, ahead: bool) -> date:
    """The same day, or the next (else the last) one that a workshop is open."""
    roll: Literal["forward", "backward"] = "forward" if ahead else "backward"
    return date.fromisoformat(str(np.busday_offset(day, 0, roll=roll, busdaycal=week)))


def drive(van: Line, today: date) -> Drive:
    """Drive a van from its first day to the end of today."""
    first = date.fromisoformat(van["In service on"])
    days = first.toordinal() + np.arange((today - first).days + 1)
    rng = chance(van["Fleet number"], 1)
    dates = (days - date(1970, 1, 1).toordinal()).astype("M8[D]")
    month = dates.astype("M8[M]").astype(np.int64) % 12
    km = float(van["Km per working day"]) * np.array(WEEK)[(days - 1) % 7] * np.array(YEAR)[month]
    km *= np.exp(rng.normal(0.0, SCATTER, len(days)) + _moods(rng, len(days)))
    for begin in rng.integers(0, len(days), rng.poisson(IDLE_SPELLS_PER_YEAR * len(days) / 365)):
        km[begin : begin + rng.integers(*SPELL_D)] = 0.0
    if van["Story"] == "off road":
        km[-OFF_ROAD_D:] = 0.0
    start = float(van["Odometer in service"])
    return Drive(van, first, today, start + np.concatenate([[0.0], np.cumsum(km)]))


def _moods(rng: np.random.Generator, days: int) -> NDArray[np.float64]:
    """Rounds change every few months: a slow drift about the van's own mean, log scale."""
    steps = rng.normal(0.0, 0.15, days // 90 + 2)
    return np.interp(np.arange(days), 90 * np.arange(len(steps)), steps)
