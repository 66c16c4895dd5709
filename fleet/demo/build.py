"""Build the demo: the workbook, the people, the uploads."""

from datetime import date, datetime, timedelta

from django.conf import settings

from fleet.demo.as_workbook import drives, records_of, whole
from fleet.demo.clock import Clock
from fleet.demo.drive import Drive
from fleet.demo.fixtures import lines, words
from fleet.demo.orders import add_work
from fleet.demo.past import Past, load_rows
from fleet.demo.settling import settle_held
from fleet.demo.storekeeping import expect_arrivals, settle_rates
from fleet.demo.trial import add_trial
from fleet.demo.workshops import open_workshops, plan_workshop_days
from fleet.overview.seen import look
from fleet.people.models import Person
from fleet.runs.ledger import Progress
from fleet.stores import moves
from fleet.today import NO_DEPOT, newest_day, today_at
from fleet.vehicles.models import Depot, Vehicle

MONTHS, VEHICLES = 36, 48  # of past; of the story
SETTLED_TODAY = 2
MARK = "demo"  # a file of that name marks a data folder as a demo


def is_loaded() -> bool:
    """Whether this data folder holds the demo, complete."""
    mark = settings.DATA_DIR / MARK
    return mark.exists() and mark.read_text(encoding="utf-8").startswith("complete")


def was_cut_short() -> bool:
    """Whether an earlier start left only part of the demo here."""
    return (settings.DATA_DIR / MARK).exists() and not is_loaded() and Vehicle.objects.exists()


def belongs_to_others() -> bool:
    """Whether there is a fleet here that is no demo."""
    return not (settings.DATA_DIR / MARK).exists() and Vehicle.objects.exists()


def build(
    now: datetime, progress: Progress, months: int = MONTHS, vehicles: int = VEHICLES
) -> None:
    """Load the demo of a day into an empty data folder.

    Parameters
    ----------
    months
        How long its past is.
    vehicles
        How many there are; beyond those of the story they are there for their number.
    """
    mark = settings.DATA_DIR / MARK
    today = today_at_depots(now)
    mark.write_text(f"begun {today}\n")
    vans = live_past(now, today, months, vehicles, progress)
    progress(0.75, "working orders off")
    add_work(vans, now, today)
    progress(0.88, "running a field trial")
    add_trial(vans, now, today)
    expect_arrivals(today)
    tell_of_yesterday(now)
    progress(0.97, "planning workshop days")
    open_workshops(today)
    plan_workshop_days(today)
    mark.write_text(f"complete {today}\nAll names and figures here are invented.\n")


def live_past(
    now: datetime, today: date, months: int, vehicles: int, progress: Progress
) -> list[Drive]:
    """Load the fleet of so many months ago, and live until today."""
    since = months_before(today, months)
    progress(0.0, f"driving {max(vehicles, VEHICLES)} vans for some years")
    vans = [van.since(since) for van in drives(today, vehicles)]
    records = records_of(since, today)
    progress(0.02, "loading the fleet workbook")
    load_rows(whole(vans, records, since), now)
    add_people(today)
    settle_rates(today)
    with Clock(now) as clock, moves.together():
        past = Past(vans, records, now, clock)
        past.live(lambda share, text: progress(0.07 + 0.68 * share, text))
    load_rows({"Service history": [row for van in vans for row in records.rounds(van)]}, now)
    return vans


def tell_of_yesterday(now: datetime) -> None:
    """Everybody looked yesterday; this morning the clerk settled some readings."""
    for person in Person.objects.all():
        look(person, now - timedelta(days=1))
    clerk = Person.objects.filter(role="clerk").earliest("id")
    settle_held(clerk, now, waits_d=0, most=SETTLED_TODAY)


def months_before(today: date, months: int) -> date:
    """The first of a month so many months ago."""
    year, month = divmod(today.year * 12 + today.month - 1 - months, 12)
    return date(year, month + 1, 1)


def today_at_depots(now: datetime) -> date:
    """The day it is at the depots; around midnight, where it comes first."""
    zones = {row["Time zone"] for row in lines("depots", today_at(NO_DEPOT, now))}
    return newest_day(zones, now)


def add_people(today: date) -> None:
    """At least one person for each role; they sign in by links, none has a password."""
    depots = {depot.slug: depot for depot in Depot.objects.all()}
    for row in lines("people", today):
        person, _ = Person.objects.get_or_create(
            username=row["Name"],
            defaults={
                "first_name": row["First name"],
                "last_name": row["Last name"],
                "role": row["Role"],
                "password": "!",  # no password fits
            },
        )
        person.depots.set([depots[slug] for slug in words(row, "Depots")])
