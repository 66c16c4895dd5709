"""The past of the demo, lived month by month by the verbs that everybody uses.

Odometers come in, vans come in when they had used their intervals up, papers of outside workshops
are entered, each depot opens bays of its own one day and draws on its stock from then on. Verdicts,
usage, duty classes, due dates, forecasts of demand and orders to stores are what the program made
of it on those days; nothing here sets a figure that it works out.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime, time, timedelta
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

from django.db import transaction

from fleet import chain
from fleet.consumables.demand import forecast_demand
from fleet.demo import as_workbook
from fleet.demo.clock import Clock
from fleet.demo.deferring import Deferring
from fleet.demo.drive import Drive, is_further
from fleet.demo.files import File, files, first_day
from fleet.demo.fixtures import lines
from fleet.demo.history import Records
from fleet.demo.logbooks import Entry, noted
from fleet.demo.own_work import OwnWork
from fleet.demo.papers import Papers
from fleet.demo.service_days import Visit, all_visits
from fleet.demo.settling import settle_held
from fleet.demo.stations import send
from fleet.demo.storekeeping import BEFORE_OPENING_D, Storekeeping
from fleet.demo.trial import ENDED, FIRST_DAYS_D, Conducted
from fleet.hindcast import widen
from fleet.people.models import Person
from fleet.readings import intake
from fleet.runs.ledger import Progress
from fleet.trials.evaluate import SHEETS_D
from fleet.vehicles.models import Depot, Vehicle
from fleet.workbook.load import load

EVENING = time(19, 0)
WORN_SHARE, WORN_D = 2.0, 30  # of water in percent, and days until such fluid is due
GUARD_AFTER_MONTHS = 13  # before, no forecast has a year of readings behind it


class Past:
    """What happened from a day on until today."""

    def __init__(
        self, vans: Sequence[Drive], records: Records, now: datetime, clock: Clock
    ) -> None:
        self.vans, self.records, self.now, self.clock = vans, records, now, clock
        self.today, self.since = records.today, records.since
        self.opened = opened_on(self.today, self.since)
        notes = [entry for van in vans for entry in noted(van, self.since)]
        self.files = files(notes, self.today)
        self.typed = [note for note in notes if note.day < first_day(self.today)]
        self.visits = all_visits(records, list(vans), _taken(self.today))
        self.depots = {depot.slug: depot for depot in Depot.objects.all()}
        self.own = OwnWork(vans, now, self.today)
        self.papers = Papers(self.own.shop, records)
        self.stores = Storekeeping(self.opened, now, self.today)
        self.ended = Conducted(ENDED, vans, self.today)
        self.deferring = Deferring(self.visits, self.own.shop, clock)
        self.clerk = Person.objects.filter(role="clerk").earliest("id")

    def live(self, progress: Progress) -> None:
        """Live through every month, until now."""
        months = list(self._months())
        for at, (first, until) in enumerate(months):
            progress(at / len(months), f"{first:%B %Y}: {self._told(first, until)}")
            self._month(first, until)
            if at >= GUARD_AFTER_MONTHS:
                widen.watch(until)

    def _months(self) -> Iterator[tuple[date, date]]:
        first = self.since
        while first <= self.today:
            following = (first + timedelta(days=32)).replace(day=1)
            yield first, min(following, self.today + timedelta(days=1))
            first = following

    def _told(self, first: date, until: date) -> str:
        visits = sum(first <= visit.day < until for visit in self.visits)
        return f"odometers, {visits} visits to a workshop"

    def _month(self, first: date, until: date) -> None:
        self._newcomers(first, until)
        for day, act in sorted(self._events(first, until), key=lambda event: event[0]):
            self.clock.now = self._evening(day)
            act()
        self.clock.now = self._evening(until - timedelta(days=1))
        self.papers.enter(self.clock.now)
        self._send_typed(first, until)
        settle_held(self.clerk, self.clock.now)
        chain.refresh(list(Vehicle.objects.values_list("pk", flat=True)), self.clock.now)
        self._stores(until)

    def _evening(self, day: date) -> datetime:
        return min(datetime.combine(day, EVENING, UTC), self.now)

    def _events(self, first: date, until: date) -> Iterator[tuple[date, Callable[[], None]]]:
        """Acts of a month; invoices lie on a stack until something else happens."""
        for day, act in self._acts(first, until):
            yield day, partial(self._after_papers, act)
        for visit in self.visits:
            if first <= visit.day < until and not self._is_own(visit):
                yield visit.day, partial(self.papers.take, visit)

    def _after_papers(self, act: Callable[[], None]) -> None:
        with transaction.atomic():
            self.papers.enter(self.clock.now)
        act()

    def _acts(self, first: date, until: date) -> Iterator[tuple[date, Callable[[], None]]]:
        for file in self.files:
            if first <= file.until < until or until > self.today == file.until - timedelta(days=1):
                yield min(file.until, self.today), partial(self._send, file)
        for visit in self.visits:
            if first <= visit.day < until and self._is_own(visit):
                yield visit.day, partial(self._visit, visit)
        yield from self.deferring.events(first, until)
        yield from self.own.events(first, until, self.clock)
        yield from self._trial(first, until)
        yield from self.stores.events(first, until, self.clock)

    def _trial(self, first: date, until: date) -> Iterator[tuple[date, Callable[[], None]]]:
        """What is done in a month for the trial that ended."""
        trial, month_end = self.ended, until - timedelta(days=1)
        if trial.starts_on < self.since:
            return
        if first <= trial.starts_on < until:
            yield trial.starts_on, lambda: trial.begin(self.clock.now)
        if first <= (filled_on := trial.starts_on + timedelta(days=FIRST_DAYS_D + 2)) < until:
            yield filled_on, trial.fill
        if filled_on < until and first <= trial.ends_on:
            yield max(month_end, filled_on), lambda: trial.send(first, until, self.clock.now)
        if first <= (looked_on := trial.ends_on + SHEETS_D + timedelta(days=1)) < until:
            yield looked_on, lambda: trial.evaluate(self.clock.now)

    # --- what came in ------------------------------------------------------------------------
    def _newcomers(self, first: date, until: date) -> None:
        """Vans that joined, moved, or were used otherwise since last month, or since the first
        day, whose fleet is loaded already."""
        day, before = until - timedelta(days=1), max(first - timedelta(days=1), self.since)
        changed = [
            van
            for van in self.vans
            if as_workbook.as_of(van, day) != as_workbook.as_of(van, before)
            or before < date.fromisoformat(van.van["Joined on"]) < until
        ]
        if changed:
            load_rows(as_workbook.of_vans(changed, self.records, day), self.now)

    def _send(self, file: File) -> None:
        upload = intake.receive(file.content, file.name, self.clerk)
        chain.complete_upload(upload.pk)

    def _send_typed(self, first: date, until: date) -> None:
        some: list[Entry] = [note for note in self.typed if first <= note.day < until]
        send(some, {van.number: van for van in self.vans})

    # --- what was done -----------------------------------------------------------------------
    def _is_own(self, visit: Visit) -> bool:
        """Whether the depot did the work in bays of its own."""
        opened = self.opened[visit.van.depot_at(visit.day)]
        return visit.day >= opened and not is_further(visit.van)

    def _visit(self, visit: Visit) -> None:
        with transaction.atomic():
            self.own.work(visit, self.clock)

    def _stores(self, until: date) -> None:
        """What the depots that keep stock will need, and what they order of it."""
        here = [
            self.depots[slug].pk for slug, on in self.opened.items() if on < until <= self.today
        ]
        if here:
            forecast_demand(until, here)
            self.stores.order(here, until, self.clock.now)


@contextmanager
def written(rows: dict[str, as_workbook.Rows]) -> Iterator[Path]:
    """A workbook of some rows, as long as it is needed."""
    with TemporaryDirectory(prefix="sumpwise-") as folder:
        path = Path(folder) / "demo-fleet.xlsx"
        as_workbook.write_workbook(path, rows)
        yield path


def load_rows(rows: dict[str, as_workbook.Rows], now: datetime) -> None:
    """Load some rows as a fleet workbook."""
    with written(rows) as path:
        load(path, now=now, reason="demo fleet")


def opened_on(today: date, since: date) -> dict[str, date]:
    """When each depot opened bays of its own; in a shorter past they are there from its start."""
    first = since + timedelta(days=BEFORE_OPENING_D)
    return {
        line["Depot"]: max(first, date.fromisoformat(line["Opened on"]))
        for line in lines("workshops", today)
    }


def _taken(today: date) -> dict[str, dict[str, date]]:
    """Services that the fixtures tell of, by van, each with the first day it is told of."""
    found: dict[str, dict[str, date]] = {}
    for name, on in (("work-orders", "Day"), ("outside-work", "Done on"), ("deferrals", "Until")):
        for line in lines(name, today):
            of_van, day = found.setdefault(line["Vehicle"], {}), date.fromisoformat(line[on])
            for slug in (line.get("Services") or line["Service"]).split(";"):
                of_van[slug] = min(day, of_van.get(slug, day))
            if _is_worn(line.get("Measured", "")):
                of_van.setdefault("brake-fluid", day + timedelta(days=WORN_D))
    return found


def _is_worn(measured: str) -> bool:
    """Whether brake fluid was measured that has been in use for long."""
    values = dict(pair.strip().split("=") for pair in measured.split(";") if "=" in pair)
    return float(values.get("moisture", 0)) > WORN_SHARE
