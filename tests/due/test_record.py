"""Services done, written down, settled, corrected and taken back: rows are only ever added."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet import chain
from fleet.due.models import DueDate, Fill, Limit, Service, ServiceDone
from fleet.due.record import (
    at_reading,
    provisional_again,
    record_done,
    record_fill,
    record_papers,
    replace_fill,
    settle_provisional,
    standing_rows,
    take_back_fill,
    withdraw,
)
from fleet.faults import Question
from fleet.people.models import Person
from fleet.readings.models import Reading
from fleet.vehicles.models import Vehicle
from tests import scene
from tests.kept import kept
from tests.scene import INVENTED, NOW
from tests.stores import shelf

pytestmark = pytest.mark.django_db
TODAY = NOW.date()
KEPT = ("vehicle", "service", "done_on", "done_at", "total_h", "evidence")


@kept
def oil() -> Service:
    return scene.service()


@kept
def van(oil: Service) -> Vehicle:
    """100 km a day, 23,300 km today; the reading of today waits for somebody."""
    found = scene.van()
    scene.readings(found, scene.steady(10_000, 700, 20))
    chain.refresh([found.pk], NOW)
    return found


def newest(van: Vehicle) -> Reading:
    return van.meters.get().readings.latest("taken_at")


def held(reading: Reading) -> Reading:
    Reading.objects.filter(pk=reading.pk).update(verdict="held", total=None)
    reading.refresh_from_db()
    return reading


def accepted(reading: Reading, total: float) -> None:
    Reading.objects.filter(pk=reading.pk).update(verdict="accepted", total=total)


def row(van: Vehicle, oil: Service, **given: object) -> ServiceDone:
    fields = {"done_on": TODAY, "done_at": NOW, "evidence": "work order", "source": INVENTED}
    return ServiceDone(vehicle=van, service=oil, **(fields | given))


def test_at_an_accepted_reading_its_total_stands(van: Vehicle, oil: Service) -> None:
    reading = newest(van)
    accepted(reading, 63_300)  # a meter that was replaced at 40,000 km
    reading.refresh_from_db()
    done = record_done(row(van, oil, reading=reading))
    assert (done.total_km, done.provisional) == (63_300, False)
    assert settle_provisional() == 0


def test_at_a_held_reading_it_waits_and_is_settled_with_the_total_of_the_reading(
    van: Vehicle, oil: Service
) -> None:
    reading = held(newest(van))
    who = Person.objects.create_user("mika")
    done = record_done(row(van, oil, reading=reading, person=who, total_h=12.5))
    assert (done.total_km, done.provisional) == (23_300, True)
    assert settle_provisional() == 0  # nobody accepted it yet
    accepted(reading, 22_300)
    assert settle_provisional() == 1
    (stands,) = standing_rows(van.pk)
    assert (stands.supersedes, stands.total_km, stands.provisional) == (done, 22_300, False)
    assert (stands.reading, stands.person, stands.source) == (reading, who, INVENTED)
    assert [getattr(stands, name) for name in KEPT] == [getattr(done, name) for name in KEPT]
    assert settle_provisional() == 0


def test_what_was_settled_waits_again_where_its_reading_is_accepted_no_more(
    van: Vehicle, oil: Service
) -> None:
    reading = held(newest(van))
    record_done(row(van, oil, reading=reading))
    mine = Reading.objects.filter(pk=reading.pk)
    accepted(reading, 22_300)
    settle_provisional()
    assert provisional_again(mine) == 0  # it is accepted still
    held(reading)
    assert provisional_again(Reading.objects.exclude(pk=reading.pk)) == 0
    assert provisional_again(mine) == 1
    (stands,) = standing_rows(van.pk)
    assert (stands.total_km, stands.provisional) == (23_300, True)  # what the meter showed
    assert provisional_again(mine) == 0


def test_a_service_that_never_waited_or_was_taken_back_does_not_wait_again(
    van: Vehicle, oil: Service
) -> None:
    reading = newest(van)
    at_once = record_done(row(van, oil, reading=reading))
    mine = Reading.objects.filter(pk=reading.pk)
    held(reading)
    assert provisional_again(mine) == 0
    withdraw(at_once, person=None, source="not done")
    assert provisional_again(mine) == 0


def test_the_odometer_read_again_moves_a_service_to_that_reading(
    van: Vehicle, oil: Service
) -> None:
    first, second = Reading.objects.order_by("-taken_at")[:2]
    done = record_done(row(van, oil, reading=first))
    moved = at_reading(done, second)
    assert (moved.reading, moved.total_km, moved.provisional) == (second, 22_600, False)
    waits = at_reading(done, held(first))  # the row given is no longer the newest
    assert (waits.supersedes, waits.total_km, waits.provisional) == (moved, 23_300, True)
    assert list(standing_rows(van.pk)) == [waits]


def test_taken_back_it_is_void_with_who_said_so(van: Vehicle, oil: Service) -> None:
    done = record_done(row(van, oil, reading=newest(van)))
    who = Person.objects.create_user("sura")
    void = withdraw(done, person=who, source="the wrong vehicle")
    assert (void.void, void.person, void.source) == (True, who, "the wrong vehicle")
    assert list(standing_rows(van.pk)) == [void]
    assert [getattr(void, name) for name in KEPT] == [getattr(done, name) for name in KEPT]


def papers(van: Vehicle, oil: Service, km: float, **given: object) -> list[ServiceDone]:
    found = {"done_on": TODAY - timedelta(days=7), "done_at": None, "total_km": km} | given
    engine = Service.objects.filter(slug="engine-oil").first() or scene.service("engine")
    return [row(van, service, **found) for service in (oil, engine)]


def test_one_paper_tells_of_several_services_and_is_asked_about_once(
    van: Vehicle, oil: Service
) -> None:
    (question,) = record_papers([papers(van, oil, 226_000)], NOW)
    assert question is not None
    assert question.about == "odometer_km"
    assert not ServiceDone.objects.exists()
    why = " the printer slipped, " * 20
    stands = papers(van, oil, 226_000, why_it_stands=why)
    assert record_papers([stands], NOW) == [None]
    assert [one.why_it_stands for one in stands] == [why.strip()[:300]] * 2
    assert record_papers([papers(van, oil, 22_600)], NOW) == [None]
    assert ServiceDone.objects.filter(why_it_stands="", total_km=22_600).count() == 2


def test_papers_in_doubt_hold_up_no_others(van: Vehicle, oil: Service) -> None:
    stands = papers(van, oil, 226_001, why_it_stands="so it says")
    given = [papers(van, oil, 226_000), stands, papers(van, oil, 22_600)]
    asked = record_papers(given, NOW)
    assert [question and question.candidates for question in asked] == [
        ("22,600 km: one digit too many",),
        None,
        None,
    ]
    totals = ServiceDone.objects.order_by("pk").values_list("total_km", flat=True)
    assert list(totals) == [226_001] * 2 + [22_600] * 2


def test_a_paper_with_a_reason_is_kept_with_as_much_of_it_as_there_is_room_for(
    van: Vehicle, oil: Service
) -> None:
    why = " as the workshop says, " * 20
    with pytest.raises(Question):
        record_done(row(van, oil, total_km=226_000, why_it_stands="  "))
    done = record_done(row(van, oil, total_km=226_000, why_it_stands=why))
    assert done.why_it_stands == why.strip()[:300]


def test_a_fill_is_a_products_or_unknown_and_one_of_a_job_is_replaced(
    van: Vehicle, oil: Service
) -> None:
    place = {"vehicle": van, "compartment": oil.compartment, "filled_on": TODAY, "source": INVENTED}
    assert record_fill(Fill(**place)).origin == "unknown"
    product = shelf.product()
    assert replace_fill("job-1", Fill(**place, product=product)).origin == "product"
    other = replace_fill("job-1", Fill(**place, quantity_ml=900))
    replace_fill("job-2", Fill(**place, quantity_ml=700))
    assert list(Fill.objects.filter(key="job-1")) == [other]
    take_back_fill("job-1")
    assert sorted(Fill.objects.values_list("quantity_ml", flat=True), key=str) == [700, None]


def test_a_digit_lost_at_the_finish_does_not_make_overdue_what_was_just_done(
    van: Vehicle, oil: Service
) -> None:
    """Done today at 23,400 km, and 2,340 typed: what is left is the limit less what came since the
    reading of a week ago, and not overdue by 960 km."""
    Limit.objects.update(limit_km=20_000)
    (typed,) = scene.readings(van, [2_340], until=NOW + timedelta(hours=1))
    record_done(row(van, oil, reading=held(typed)))
    chain.refresh([van.pk], NOW + timedelta(hours=2))
    due = DueDate.objects.get(vehicle=van, service=oil)
    assert (due.provisional, due.beyond_by_reading) == (True, False)
    assert due.remaining_km == 20_000 - (23_300 - 22_600)


def test_settling_many_takes_as_few_queries_as_one(van: Vehicle, oil: Service) -> None:
    counts = []
    for services in ((oil,), (oil, scene.service("engine"))):
        reading = held(newest(van))
        for one in services:
            record_done(row(van, one, reading=reading, done_on=date(2026, 6, 14)))
        accepted(reading, 22_300)
        with CaptureQueriesContext(connection) as asked:
            assert settle_provisional() == len(services)
        counts.append(len(asked))
    assert counts[0] == counts[1]


def test_a_paper_newer_than_every_reading_is_one(van: Vehicle, oil: Service) -> None:
    later = NOW + timedelta(days=20)
    given = {"done_on": TODAY + timedelta(days=14)}
    rows = papers(van, oil, 24_700, **given)
    record_papers([rows], later)
    assert [one.reading.total for one in rows if one.reading] == [24_700, 24_700]
    assert newest(van) == rows[0].reading
