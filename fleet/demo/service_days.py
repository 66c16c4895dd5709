"""On which days each van of the demo was serviced: as it used its intervals up, a little early or
late, with what was nearly due done on the same visit. Invented for the demo.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from fleet.demo import trial
from fleet.demo.drive import OFF_ROAD_D, Drive, chance, working
from fleet.demo.fixtures import Line
from fleet.demo.history import PREVIOUS, SHARES, Records, day_before, day_when, due_this_month

IN_TIME, LATE = (0.94, 1.0), (1.02, 1.1)  # of the interval, when a van comes in
LATE_SHARE, FORGOTTEN = 0.06, 0.03  # of services, and of checks before the winter
JOINS_AT = 0.85  # of the interval used up: its early share, done on the same visit
AUTUMN = ((8, 12), (9, 29))  # when what is due on 1 October is done
SEEN_UNTIL_D = {"off": OFF_ROAD_D + 5, "unread": 60}  # by story: days since the last visit
KEPT_FREE_D = 130  # before work that stands in the fixtures
NEVER = date.max  # not a day soon, which may lie behind a weekend and so be brought forward


@dataclass(frozen=True)
class Visit:
    """A van comes in, and what is done."""

    van: Drive
    day: date
    services: tuple[str, ...]


class Diary:
    """Visits of one van, from a day on."""

    def __init__(self, records: Records, van: Drive, taken: Mapping[str, date]) -> None:
        self.records, self.van = records, van
        self.rng = chance(van.number, 50)
        self.first = records.begin(van)
        self.until = van.today - timedelta(days=SEEN_UNTIL_D.get(van.story.partition(" ")[0], 1))
        self.taken = taken  # services that the fixtures tell of, with the day
        self.rows = [row for row in records.services_of(van) if row["Round"] == "no"]
        self.told = {row["Service"]: sorted(map(working, self._told(row))) for row in self.rows}

    def visits(self) -> Iterator[Visit]:
        """Every visit, oldest first."""
        if self.van.story == "unknown":
            return
        last = {row["Service"]: self.records.last(self.van, row) for row in self.rows}
        due = {row["Service"]: self._next(row, last[row["Service"]]) for row in self.rows}
        while True:
            day = working(min(due.values(), default=self.van.today))
            if day > self.until:
                return
            done = tuple(row["Service"] for row in self.rows if self._joins(row, last, due, day))
            yield Visit(self.van, day, done)
            for row in self.rows:
                if (slug := row["Service"]) in done:
                    last[slug] = day
                    due[slug] = self._next(row, day)

    def _told(self, row: Line) -> Iterator[date]:
        """Days on which a service was done so that today is as the van's story tells."""
        if begun := trial.begun_by(self.van, row["Service"]):
            yield from self._changes_of(begun, row)
            return
        story, _, about = self.van.story.partition(" ")
        limit = self.records.limit(self.van, row)
        if about != row["Service"] or story not in SHARES:
            yield from self._before_fixtures(row["Service"], limit)
            return
        day = day_before(self.van, limit, self.van.today, self.rng.uniform(*SHARES[story]))
        if story == "due" and not limit["Interval [km]"]:
            months = int(limit["Interval [months]"])
            day = due_this_month(self.van.today, months, self.rng)
        while day is not None and day > self.first:
            yield day
            day = day_before(self.van, limit, day, self.rng.uniform(*PREVIOUS))

    def _before_fixtures(self, slug: str, limit: Line) -> Iterator[date]:
        """Days on which a service was done so that it falls due when the fixtures tell of it."""
        if slug not in self.taken or limit["Yearly by month"]:
            return
        until = min(self.taken[slug], self.van.today)
        day = day_before(self.van, limit, until, self.rng.uniform(*IN_TIME))
        while day is not None and day > self.first:
            yield day
            day = day_before(self.van, limit, day, self.rng.uniform(*PREVIOUS))

    def _changes_of(self, begun: trial.Story, row: Line) -> Iterator[date]:
        """The change with which a trial began, and those after its end, each in its time."""
        limit, day = self.records.limit(self.van, row), begun.changed_on(self.van)
        after = begun.ends_on(self.van.today) + timedelta(days=1)
        while day <= self.van.today:
            if day > self.first:
                yield day
            day = max(after, day_when(self.van, limit, day, self.rng.uniform(*IN_TIME)))

    def _next(self, row: Line, last: date | None) -> date:
        """When a service is done next, if nothing brings the van in before."""
        slug = row["Service"]
        if told := self.told[slug]:
            return next((day for day in told if day > (last or self.first)), NEVER)
        limit = self.records.limit(self.van, row)
        if limit["Yearly by month"]:
            day = self._autumn(last or self.first)
        else:
            late = self.rng.uniform() < LATE_SHARE
            share = self.rng.uniform(*(LATE if late else IN_TIME))
            day = day_when(self.van, limit, last or self.van.first, share)
        day = max(day, self.first + timedelta(days=int(self.rng.integers(1, 25))))
        kept_free = self.van.today - timedelta(days=KEPT_FREE_D)
        return NEVER if slug in self.taken and day > kept_free else day

    def _autumn(self, last: date) -> date:
        (_, _), (month, day) = AUTUMN
        end = date(last.year, month, day)
        year = last.year + (last > end - timedelta(days=80))
        forgotten = self.rng.uniform() < FORGOTTEN
        return date(year + forgotten, month, day) - timedelta(days=int(self.rng.integers(0, 40)))

    def _joins(
        self, row: Line, last: dict[str, date | None], due: dict[str, date], day: date
    ) -> bool:
        slug = row["Service"]
        if working(due[slug]) <= day:
            return True
        if self.told[slug] or due[slug] > self.van.today:
            return False
        limit = self.records.limit(self.van, row)
        if limit["Yearly by month"]:
            (month, first), (_, _) = AUTUMN
            return date(day.year, month, first) <= day < due[slug] and due[slug].year == day.year
        return day >= day_when(self.van, limit, last[slug] or self.van.first, JOINS_AT)


def all_visits(
    records: Records, vans: list[Drive], taken: Mapping[str, Mapping[str, date]]
) -> list[Visit]:
    """Visits of every van in the order of their days; ``taken`` by fleet number."""
    found = [
        visit for van in vans for visit in Diary(records, van, taken.get(van.number, {})).visits()
    ]
    return sorted(found, key=lambda visit: (visit.day, visit.van.number))
