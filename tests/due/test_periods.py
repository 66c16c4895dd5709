"""Due dates by period. Expected counts: by hand from the days set."""

from datetime import date, timedelta

import pytest

from fleet.due.models import DueDate, Service
from fleet.due.periods import Falling, Horizons, falling_due, has_any, late, unknown
from tests.cast import Cast, cast, oil_change, vehicle
from tests.kept import kept

TODAY = date(2026, 11, 16)  # a Monday; the month ends on the 30th


@kept
def people() -> Cast:
    found = cast()
    oil_change(found)
    return found


def due(people: Cast, number: str, on: date, **changes: object) -> DueDate:
    van = vehicle(number, people.plain, people.van_type)
    row = {"sort_on": on, "p50": on, "history_known": True, "binding_limit": "km"} | changes
    return DueDate.objects.create(
        vehicle=van,
        service=Service.objects.get(),
        depot=van.depot,
        duty_class="normal",
        inputs_hash=1,
        **row,
    )


def counts(people: Cast) -> tuple[int, ...]:
    found = falling_due({people.plain.pk: TODAY}, Horizons(TODAY))
    return found.get(people.plain.pk, Falling()).figures


def test_horizons_are_days_from_today_and_the_end_of_the_next_month() -> None:
    horizons = Horizons(TODAY)
    assert (horizons.soon, horizons.ahead) == (date(2026, 11, 23), date(2026, 12, 16))
    assert horizons.next_month_end == date(2026, 12, 31)
    assert Horizons(date(2026, 1, 31)).next_month_end == date(2026, 2, 28)
    assert Horizons(date(2026, 12, 3)).next_month_end == date(2027, 1, 31)


@pytest.mark.parametrize(
    ("on", "changes", "expected"),
    [
        # overdue, probably, 7 days, 30 days, this month, next month
        (date(2026, 11, 10), {"beyond_by_reading": True}, (1, 0, 0, 0, 0, 0)),
        (date(2026, 11, 10), {"calendar_on": date(2026, 11, 10)}, (1, 0, 0, 0, 0, 0)),
        (date(2026, 11, 10), {}, (0, 1, 0, 0, 0, 0)),
        (TODAY, {}, (0, 0, 1, 1, 1, 0)),
        (date(2026, 11, 23), {}, (0, 0, 1, 1, 1, 0)),
        (date(2026, 11, 24), {}, (0, 0, 0, 1, 1, 0)),
        (date(2026, 12, 16), {}, (0, 0, 0, 1, 0, 1)),
        (date(2026, 12, 17), {}, (0, 0, 0, 0, 0, 1)),
        (date(2027, 1, 1), {}, (0, 0, 0, 0, 0, 0)),
        (date(9999, 12, 31), {"history_known": False, "p50": None}, (0, 0, 0, 0, 0, 0)),
    ],
)
def test_a_service_counts_in_each_period_it_falls_in(
    people: Cast, on: date, changes: dict[str, object], expected: tuple[int, ...]
) -> None:
    due(people, "V-900", on, **changes)
    assert counts(people) == expected


def test_a_vehicle_that_was_sold_counts_nowhere(people: Cast) -> None:
    row = due(people, "V-900", TODAY)
    row.vehicle.status = "sold"
    row.vehicle.save()
    assert falling_due({people.plain.pk: TODAY}, Horizons(TODAY)) == {}


def test_the_longest_late_come_first_and_say_whether_it_is_certain(people: Cast) -> None:
    due(people, "V-901", TODAY - timedelta(days=3), beyond_by_reading=True)
    due(people, "V-902", TODAY - timedelta(days=40))
    due(people, "V-903", TODAY)
    days = {people.plain.pk: TODAY}
    found = [(one.vehicle, one.late_d, one.certain) for one in late(days, 9)]
    assert found == [("V-902", 40, False), ("V-901", 3, True)]
    assert [one.vehicle for one in late(days, 1)] == ["V-902"]


def test_services_without_a_history_are_counted_apart(people: Cast) -> None:
    assert not has_any([people.plain])
    due(people, "V-901", date(9999, 12, 31), history_known=False, p50=None)
    due(people, "V-902", TODAY)
    assert [row.vehicle.fleet_number for row in unknown([people.plain])] == ["V-901"]
    assert has_any([people.plain])
