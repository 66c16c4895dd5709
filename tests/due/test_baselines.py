"""Baselines of many vehicles at once: each doubted by itself, the others entered."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet import chain
from fleet.due.baselines import Baseline, enter_baselines
from fleet.due.models import DueDate, Limit, Service, ServiceDone
from fleet.faults import Fault, Forbidden, Question
from fleet.people.actor import Actor
from fleet.people.models import Person, Role
from fleet.vehicles.models import Vehicle
from tests import cast, scene
from tests.kept import kept
from tests.scene import NOW

pytestmark = pytest.mark.django_db

ON = date(2025, 9, 15)
INVOICE = "invoice 7, invented for the tests"


@kept
def oil() -> Service:
    return scene.service()


@kept
def clerk(oil: Service) -> Person:
    return cast.person("Cleo", Role.CLERK, scene.depot())


@kept
def vans(oil: Service) -> list[Vehicle]:
    """Three vans that were read weekly for a year, 700 km a week from 10,000 km on."""
    found = [scene.van(f"V-{number}") for number in (1, 2, 3)]
    for one in found:
        scene.readings(one, scene.steady(10_000, 700, 53))
    chain.refresh([one.pk for one in found], NOW)
    return found


def said(van: Vehicle, oil: Service, km: float | None, **more: object) -> Baseline:
    given = {"done_on": ON, "total_km": km, "total_h": None, "source": INVOICE} | more
    return Baseline(van, oil, **given)  # type: ignore[arg-type]


def enter(person: Person, *given: Baseline) -> list[ServiceDone | Fault]:
    return enter_baselines(Actor(person, "page", NOW), given)


def test_many_are_entered_each_with_its_document_and_who_said_so(
    vans: list[Vehicle], oil: Service, clerk: Person
) -> None:
    # By hand: the first reading of 16 June 2025 said 10,000 km, 13 weeks later it is 19,100.
    rows = enter(clerk, *(said(van, oil, 19_100) for van in vans))
    assert [row.pk for row in ServiceDone.objects.order_by("pk")] == [row.pk for row in rows]  # type: ignore[union-attr]
    row = ServiceDone.objects.latest("pk")
    assert (row.evidence, row.source, row.person) == ("baseline", INVOICE, clerk)
    assert not DueDate.objects.filter(history_known=True).exists()
    chain.refresh([van.pk for van in vans], NOW)
    assert DueDate.objects.filter(history_known=True).count() == 3
    # 60,000 km are allowed; 46,400 stand there now, so 27,300 were driven since
    assert DueDate.objects.first().remaining_km == pytest.approx(60_000 - 27_300)  # type: ignore[union-attr]


def test_one_that_the_readings_contradict_is_asked_about_and_the_others_stand(
    vans: list[Vehicle], oil: Service, clerk: Person
) -> None:
    first, second, third = enter(
        clerk, said(vans[0], oil, 19_100), said(vans[1], oil, 191_000), said(vans[2], oil, 19_300)
    )
    assert isinstance(first, ServiceDone)
    assert isinstance(third, ServiceDone)
    assert isinstance(second, Question)
    assert "191,000 km on 2025-09-15 does not go with" in str(second)
    assert second.candidates == ("19,100 km: one digit too many",)
    assert ServiceDone.objects.count() == 2


def test_a_reason_lets_it_through(vans: list[Vehicle], oil: Service, clerk: Person) -> None:
    why = "the instrument was exchanged"
    (row,) = enter(clerk, said(vans[0], oil, 191_000, why_it_stands=why))
    assert isinstance(row, ServiceDone)
    assert (row.total_km, row.why_it_stands) == (191_000, why)


def test_of_a_long_document_and_reason_as_much_is_kept_as_there_is_room_for(
    vans: list[Vehicle], oil: Service, clerk: Person
) -> None:
    long = {"source": " invoice" * 50, "why_it_stands": " exchanged" * 50}
    (row,) = enter(clerk, said(vans[0], oil, 191_000, **long))
    assert isinstance(row, ServiceDone)
    assert row.source == ("invoice " * 50)[:300]
    assert row.why_it_stands == ("exchanged " * 50)[:300]


def test_two_rows_of_one_vehicle_are_held_against_each_other(
    vans: list[Vehicle], oil: Service, clerk: Person
) -> None:
    new = scene.van("V-9")  # nobody read it yet
    scene.done(new, scene.service("engine"), date(2025, 3, 1), 30_000)
    other = Service.objects.create(
        vehicle_type=oil.vehicle_type, compartment=oil.compartment, slug="filter", name="Filter",
        source=INVOICE,
    )  # fmt: skip
    found = enter(clerk, said(new, oil, 41_000), said(new, other, 4_200))
    assert isinstance(found[0], ServiceDone)
    assert isinstance(found[1], Question)


@pytest.mark.parametrize(
    ("lacking", "about"),
    [
        ({"done_on": None}, "done_on"),
        ({"done_on": NOW.date() + timedelta(days=1)}, "done_on"),
        ({"total_km": None}, "total"),
        ({"source": " "}, "source"),
    ],
)
def test_what_a_document_must_say_is_asked_for(
    lacking: dict[str, object], about: str, vans: list[Vehicle], oil: Service, clerk: Person
) -> None:
    (fault,) = enter(clerk, said(vans[0], oil, **({"km": 19_100} | _renamed(lacking))))  # type: ignore[arg-type]
    assert isinstance(fault, Fault)
    assert not isinstance(fault, Question)
    assert fault.about == about
    assert not ServiceDone.objects.exists()


def _renamed(lacking: dict[str, object]) -> dict[str, object]:
    return {("km" if name == "total_km" else name): value for name, value in lacking.items()}


def test_where_only_the_calendar_counts_no_total_is_needed(
    vans: list[Vehicle], oil: Service, clerk: Person
) -> None:
    Limit.objects.update(limit_km=None)
    assert isinstance(enter(clerk, said(vans[0], oil, None))[0], ServiceDone)
    Limit.objects.update(limit_h=400)
    (fault,) = enter(clerk, said(vans[1], oil, None))
    assert isinstance(fault, Fault)
    assert fault.about == "hours"


def test_a_form_that_was_sent_twice_enters_once(
    vans: list[Vehicle], oil: Service, clerk: Person
) -> None:
    (first,) = enter(clerk, said(vans[0], oil, 19_100))
    (again,) = enter(clerk, said(vans[0], oil, 19_100))
    assert isinstance(first, ServiceDone)
    assert isinstance(again, ServiceDone)
    assert first.pk == again.pk
    (other,) = enter(clerk, said(vans[0], oil, 19_200))
    assert "Its history is known meanwhile: done on 15 Sep 2025" in str(other)
    assert ServiceDone.objects.count() == 1


def test_a_day_at_the_depot_is_what_counts(
    vans: list[Vehicle], oil: Service, clerk: Person
) -> None:
    """At 23:30 UTC it is the next day in Tokyo already."""
    late = datetime(2026, 6, 15, 23, 30, tzinfo=UTC)
    tomorrow = {"done_on": date(2026, 6, 16)}
    actor = Actor(clerk, "page", late)
    (fault,) = enter_baselines(actor, [said(vans[0], oil, 46_450, **tomorrow)])
    assert isinstance(fault, Fault)
    vans[0].depot.zone = "Asia/Tokyo"
    (row,) = enter_baselines(actor, [said(vans[0], oil, 46_450, **tomorrow)])
    assert isinstance(row, ServiceDone)


def test_only_who_may_and_only_at_ones_depots(vans: list[Vehicle], oil: Service) -> None:
    mechanic = cast.person("Mika", Role.MECHANIC, scene.depot())
    elsewhere = cast.person("Elsa", Role.CLERK, scene.depot("hill"))
    for person in (mechanic, elsewhere):
        with pytest.raises(Forbidden, match="may not enter service history"):
            enter(person, said(vans[0], oil, 19_100))


def test_the_number_of_queries_does_not_grow_with_the_rows(
    vans: list[Vehicle], oil: Service, clerk: Person
) -> None:
    again = Person.objects.get(pk=clerk.pk)  # who knows nothing of their depots yet
    with CaptureQueriesContext(connection) as one:
        enter(clerk, said(vans[0], oil, 19_100))
    with CaptureQueriesContext(connection) as two:
        enter(again, said(vans[1], oil, 19_100), said(vans[2], oil, 19_100))
    assert len(two) == len(one)
