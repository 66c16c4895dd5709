"""What due dates rest on, gathered: anchors, calls, products and meters of each row."""

from datetime import date, datetime, timedelta

import numpy as np
import pytest

from fleet import chain
from fleet.due.gather import Chunk, dates, gather, utc_offsets
from fleet.due.models import DueEarlier, Fill, Service, ServiceDone
from fleet.due.rules import gather_basis
from fleet.readings.models import Reading
from fleet.vehicles.models import Vehicle
from tests import scene
from tests.kept import kept
from tests.scene import INVENTED, NOW
from tests.stores import shelf

pytestmark = pytest.mark.django_db
TODAY = NOW.date()


@kept
def oil() -> Service:
    scene.service("engine", km=10_000, months=12)
    return scene.service()


@kept
def vans(oil: Service) -> list[Vehicle]:
    """V-1 is read, 23,300 km today; V-2 never was."""
    found = [scene.van("V-1"), scene.van("V-2")]
    scene.readings(found[0], scene.steady(10_000, 700, 20))
    chain.refresh([one.pk for one in found], NOW)
    return found


def chunk_of(*vans: Vehicle) -> Chunk:
    basis = gather_basis()
    return gather(np.array([one.pk for one in vans]), basis.rules, basis.depots, TODAY)


def of_row(chunk: Chunk, van: Vehicle, service: Service, *names: str) -> list[object]:
    rules = gather_basis().rules
    rows = chunk.rows
    (at,) = np.flatnonzero(
        (chunk.vehicle_id[rows.vehicle] == van.pk) & (rules.service_id[rows.service] == service.pk)
    )
    return [getattr(rows, name)[at].item() for name in names]


def call(van: Vehicle, service: Service, **given: object) -> DueEarlier:
    fields = {"called_on": TODAY, "reason": "a seep was seen"}
    return DueEarlier.objects.create(vehicle=van, service=service, **(fields | given))


CALLED = ("called", "called_on", "called_at_km", "provisional")


def test_of_several_calls_the_earliest_day_and_the_lowest_total_count(
    vans: list[Vehicle], oil: Service
) -> None:
    van = vans[0]
    assert of_row(chunk_of(*vans), van, oil, "called", "called_on") == [False, None]
    for day in (20, 18, 25):
        call(van, oil, due_on=date(2026, 6, day))
    for km in (900, 700, 800):
        call(van, oil, after_km=km, reading=van.meters.get().readings.latest("taken_at"))
    # the newest reading stands at 23,300 km
    found = of_row(chunk_of(*vans), van, oil, *CALLED)
    assert found == [True, date(2026, 6, 18), 24_000.0, False]
    assert of_row(chunk_of(*vans), vans[1], oil, "called") == [False]
    (engine,) = Service.objects.exclude(pk=oil.pk)
    assert of_row(chunk_of(*vans), van, engine, "called") == [False]


def test_a_distance_called_for_counts_from_the_last_reading_until_its_own_is_settled(
    vans: list[Vehicle], oil: Service
) -> None:
    reading = vans[0].meters.get().readings.order_by("-taken_at")[1]
    call(vans[0], oil, after_km=500)
    assert of_row(chunk_of(*vans), vans[0], oil, *CALLED)[2:] == [23_800.0, True]
    DueEarlier.objects.update(reading=reading)
    assert of_row(chunk_of(*vans), vans[0], oil, *CALLED)[2:] == [23_100.0, False]
    Reading.objects.filter(pk=reading.pk).update(verdict="held", total=None)
    call(vans[0], oil, due_on=date(2026, 6, 18))  # settled, and so no reason to be sure
    assert of_row(chunk_of(*vans), vans[0], oil, *CALLED)[2:] == [23_100.0, True]


@pytest.mark.parametrize(
    ("called_on", "given", "expected"),
    [
        (date(2026, 6, 15), {"after_km": 50}, date(2026, 6, 16)),  # Tuesday after a Monday
        (date(2026, 6, 12), {"after_km": 50}, date(2026, 6, 15)),  # Monday after a Friday
        (date(2026, 6, 12), {"after_km": 50, "due_on": date(2026, 7, 1)}, date(2026, 7, 1)),
    ],
)
def test_a_distance_without_a_reading_is_the_next_working_day(
    vans: list[Vehicle], oil: Service, called_on: date, given: dict[str, object], expected: date
) -> None:
    call(vans[1], oil, called_on=called_on, **given)
    called, on, at_km, _ = of_row(chunk_of(*vans), vans[1], oil, *CALLED)
    assert (called, on) == (True, expected)
    assert np.isnan(at_km)


# weekly readings at 9:00 of UTC: 21,900 km on 1 June, 22,600 km on the 8th, and so on
@pytest.mark.parametrize(
    ("zone", "on", "given", "counts"),
    [
        ("UTC", date(2026, 6, 9), 2_280, 22_600),
        ("UTC", date(2026, 6, 8), 2_280, 21_900),  # that of the day itself may have come after it
        ("Pacific/Honolulu", date(2026, 6, 8), 2_280, 22_600),  # there it was the evening before
        ("Pacific/Auckland", date(2026, 6, 8), 2_280, 21_900),
        ("UTC", date(2026, 6, 9), 22_640, 22_640),
        ("UTC", date(2026, 1, 1), 280, 280),  # nothing was read yet
        ("UTC", date(2026, 6, 9), None, None),
    ],
)
def test_what_waits_to_be_settled_counts_from_no_less_than_had_been_read(
    vans: list[Vehicle], oil: Service, zone: str, on: date, given: int | None, counts: int | None
) -> None:
    type(vans[0].depot).objects.update(zone=zone)
    row = scene.done(vans[0], oil, on, given)
    scene.done(vans[1], oil, on, given)  # has no reading
    ServiceDone.objects.update(provisional=True)
    found = of_row(chunk_of(*vans), vans[0], oil, "anchor_km")
    assert found == [counts] if counts else np.isnan(found)
    if given:
        assert of_row(chunk_of(*vans), vans[1], oil, "anchor_km") == [given]
        ServiceDone.objects.filter(pk=row.pk).update(provisional=False)  # a person stands by it
        assert of_row(chunk_of(*vans), vans[0], oil, "anchor_km") == [given]


def test_a_distance_called_for_counts_from_no_less_than_had_been_read(
    vans: list[Vehicle], oil: Service
) -> None:
    reading = vans[0].meters.get().readings.latest("taken_at")
    call(vans[0], oil, after_km=80, reading=reading)
    Reading.objects.filter(pk=reading.pk).update(verdict="held", total=None, meter_value=2_330)
    # 22,600 km a week before
    assert of_row(chunk_of(*vans), vans[0], oil, *CALLED)[2:] == [22_680.0, True]


def test_the_newest_service_that_stands_is_what_limits_count_from(
    vans: list[Vehicle], oil: Service
) -> None:
    names = ("anchor_id", "anchor_on", "anchor_km", "anchor_h", "provisional")
    later = scene.done(vans[0], oil, date(2026, 5, 1), 18_500)
    scene.done(vans[0], oil, date(2026, 3, 1), 12_000)  # told later, of an earlier day
    scene.done(vans[1], oil, date(2026, 6, 1), 1_000)
    type(later).objects.filter(pk=later.pk).update(total_h=90, provisional=True)
    found = of_row(chunk_of(*vans), vans[0], oil, *names)
    assert found == [later.pk, date(2026, 5, 1), 18_500, 90, True]
    fixed = scene.done(vans[0], oil, date(2026, 4, 1), 15_000)
    type(later).objects.filter(pk=fixed.pk).update(supersedes=later)
    assert of_row(chunk_of(*vans), vans[0], oil, *names[:3]) == [
        *(fixed.pk, date(2026, 4, 1), 15_000),
    ]
    type(later).objects.filter(pk=fixed.pk).update(void=True)
    assert of_row(chunk_of(*vans), vans[0], oil, "anchor_on") == [date(2026, 3, 1)]


def test_without_a_service_limits_count_from_the_start_of_use_of_what_joined_new(
    vans: list[Vehicle], oil: Service
) -> None:
    began = {"in_service_on": date(2026, 1, 15), "in_service_km": 12}
    new, plain = scene.van("V-3", joined_as="new", **began), scene.van("V-4", **began)
    blank = scene.van("V-5", joined_as="new", in_service_on=date(2026, 1, 15))
    chunk = chunk_of(new, plain, blank)
    names = ("anchor_on", "anchor_km", "anchor_h", "occasion")
    assert of_row(chunk, new, oil, *names) == [date(2026, 1, 15), 12, 0, 0]
    assert of_row(chunk, blank, oil, *names) == [date(2026, 1, 15), 0, 0, 0]
    assert of_row(chunk, plain, oil, *names) == [None, 0, 0, 0]
    scene.done(new, oil, date(2026, 2, 1), 900)
    assert of_row(chunk_of(new), new, oil, "occasion") == [1]


@pytest.mark.parametrize(
    ("full", "filled_on", "counts"),
    [
        (True, date(2026, 5, 1), True),
        (True, date(2026, 5, 2), True),
        (True, date(2026, 4, 30), False),  # before the service that the limit counts from
        (False, date(2026, 5, 2), False),
    ],
)
def test_a_product_counts_since_a_full_change_with_it(
    vans: list[Vehicle], oil: Service, full: bool, filled_on: date, counts: bool
) -> None:
    product = shelf.product()
    place = {"vehicle": vans[0], "compartment": oil.compartment, "source": INVENTED}
    scene.done(vans[0], oil, date(2026, 5, 1), 18_000)
    given = {"origin": "product", "product": product, "full_change": full}
    Fill.objects.create(**place, **given, filled_on=filled_on)
    assert of_row(chunk_of(*vans), vans[0], oil, "product") == [0]  # no limit asks for it
    scene.service(km=90_000, months=None, duty_class="severe", product=product)
    assert of_row(chunk_of(*vans), vans[0], oil, "product") == [product.pk if counts else 0]
    assert of_row(chunk_of(*vans), vans[1], oil, "product") == [0]
    Fill.objects.create(**place, origin="unknown", filled_on=date(2026, 5, 3))
    assert of_row(chunk_of(*vans), vans[0], oil, "product") == [0]


def test_distance_and_hours_are_meters_of_their_own(vans: list[Vehicle]) -> None:
    van = vans[1]
    hours = van.meters.create(kind="hours", unit="h")
    for reading, value in zip(
        scene.readings(van, scene.steady(1, 1, 8)), scene.steady(100, 14, 8), strict=True
    ):
        Reading.objects.filter(pk=reading.pk).update(
            meter=hours, value=value, meter_value=value, unit="h"
        )
    chain.refresh([van.pk], NOW)
    chunk = chunk_of(*vans)
    assert (chunk.km_of.tolist(), chunk.hours_of.tolist()) == ([0, -1], [-1, 0])
    assert (chunk.km.state.last_km.tolist(), chunk.hours.state.last_km.tolist()) == (
        [23_300],
        [198],
    )
    assert chunk.hours.id.tolist() == [hours.pk]


def test_days_are_dates_and_unknown_ones_none() -> None:
    known = datetime(2026, 6, 15).toordinal() - datetime(1970, 1, 1).toordinal()  # noqa: DTZ001
    assert dates(np.array([known, 0.0, np.nan])).tolist() == [TODAY, date(1970, 1, 1), None]


def test_a_depots_days_begin_by_its_standard_time_all_the_year() -> None:
    zones = {3: "Europe/Berlin", 4: "America/New_York", 5: "UTC", 6: "Asia/Kolkata"}
    found = utc_offsets(np.array([6, 3, 4, 5, 3]), zones)
    assert (found * 24).tolist() == pytest.approx([5.5, 1, -5, 0, 1])  # IANA time zones, winter


def test_a_vehicle_that_was_sold_is_not_gathered(vans: list[Vehicle]) -> None:
    Vehicle.objects.filter(pk=vans[0].pk).update(status="sold")
    assert chunk_of(*vans).vehicle_id.tolist() == [vans[1].pk]
    Vehicle.objects.update(status="sold")
    assert len(chunk_of(*vans).rows.vehicle) == 0


def test_all_that_a_row_rests_on_changes_its_stamp(vans: list[Vehicle], oil: Service) -> None:
    seen = [of_row(chunk_of(*vans), vans[0], oil, "inputs_hash")]
    other = of_row(chunk_of(*vans), vans[1], oil, "inputs_hash")
    done = scene.done(vans[0], oil, date(2026, 5, 1), 18_000)
    rows = type(done).objects.filter(pk=done.pk)
    for change in (
        lambda: None,
        lambda: rows.update(total_km=18_001),
        lambda: rows.update(total_h=5),
        lambda: rows.update(done_on=date(2026, 5, 2)),
        lambda: call(vans[0], oil, due_on=TODAY + timedelta(days=9)),
        lambda: call(vans[0], oil, after_km=500),
        lambda: Vehicle.objects.filter(pk=vans[0].pk).update(
            under_warranty_until_on=date(2027, 1, 1)
        ),
    ):
        change()
        seen.append(of_row(chunk_of(*vans), vans[0], oil, "inputs_hash"))
    assert len({one for (one,) in seen}) == len(seen)
    assert of_row(chunk_of(*vans), vans[1], oil, "inputs_hash") == other


def test_services_of_another_type_are_no_anchors_and_a_type_may_have_none(
    vans: list[Vehicle], oil: Service
) -> None:
    other = vans[0].vehicle_type
    other.pk, other.slug = None, "other"
    other.save()
    changed = scene.van("V-0")
    done = scene.done(changed, oil, date(2026, 5, 1), 18_000)
    call(changed, oil, due_on=TODAY)
    Vehicle.objects.filter(pk=changed.pk).update(vehicle_type=other)
    chunk = chunk_of(*vans, changed)
    assert done.pk not in chunk.rows.anchor_id.tolist()
    assert not chunk.rows.called.any()
    assert len(chunk.rows.vehicle) == 4  # two services of each of the vans
    assert len(chunk_of(changed).rows.vehicle) == 0
    new = Service.objects.create(
        vehicle_type=other, compartment=oil.compartment, slug="new", name="New", source=INVENTED
    )
    call(changed, new, due_on=TODAY)
    assert of_row(chunk_of(*vans, changed), changed, new, "called", "anchor_on") == [True, None]
