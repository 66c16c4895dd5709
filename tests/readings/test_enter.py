from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from fleet.readings.enter import Entry, EntryFault, enter, in_meter_unit, meters_of, noon_at
from fleet.readings.models import Reading, Source, Verdict
from fleet.vehicles.models import Meter
from tests.cast import Cast, cast

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


@pytest.fixture
def people(db: None) -> Cast:
    return cast()


def entry(people: Cast, value: float = 5000, unit: str = "km") -> Entry:
    meter = people.van.meters.get(kind=Meter.Kind.KM)
    return Entry(people.van.pk, meter.pk, NOON, time_known=True, value=value, unit=unit)


def test_a_reading_is_stored_as_given_and_not_judged_yet(people: Cast) -> None:
    enter([entry(people, 5000, "mi")], Source.API)
    stored = Reading.objects.get()
    assert (stored.value, stored.unit, stored.verdict) == (5000, "mi", Verdict.NOT_JUDGED)
    assert stored.meter_value == 8046.72  # 1 mile is 1.609344 km by definition


def test_the_same_reading_again_is_repeated_and_not_stored_twice(people: Cast) -> None:
    first = enter([entry(people)], Source.API)
    again = enter([entry(people)], Source.API)
    assert [one.repeated for one in first + again] == [False, True]
    assert first[0].reading_id == again[0].reading_id
    assert Reading.objects.count() == 1


def test_a_reading_twice_in_one_list_is_stored_once(people: Cast) -> None:
    entered = enter([entry(people), entry(people)], Source.API)
    assert [one.repeated for one in entered] == [False, True]
    assert Reading.objects.count() == 1


def test_another_source_value_unit_or_instant_is_another_reading(people: Cast) -> None:
    later = replace(entry(people), taken_at=NOON.replace(hour=13))
    entered = enter(
        [entry(people), entry(people, 5001), entry(people, 5000, "mi"), later], Source.API
    )
    entered += enter([entry(people)], Source.PAGE)
    assert not any(one.repeated for one in entered)
    assert Reading.objects.count() == 5


def test_nothing_entered_is_nothing_stored(people: Cast) -> None:
    assert enter([], Source.API) == []


def test_a_negative_value_is_refused_with_a_sentence(people: Cast) -> None:
    with pytest.raises(EntryFault, match="cannot be negative"):
        in_meter_unit(-1, "km")


def test_hours_stay_hours() -> None:
    assert in_meter_unit(12.5, "h") == 12.5


def test_a_missing_meter_is_made_once(people: Cast) -> None:
    hours = (people.van.pk, "hours")
    made = meters_of({hours: "h", (people.van.pk, "km"): "km"})
    assert made[hours] == meters_of({hours: "h"})[hours]
    assert people.van.meters.count() == 2


def test_a_day_stands_for_its_noon_at_the_depot() -> None:
    # Berlin is one hour ahead of UTC in winter, two in summer (IANA time zone data)
    assert noon_at(date(2026, 1, 5), "Europe/Berlin") == datetime(2026, 1, 5, 11, tzinfo=UTC)
    assert noon_at(date(2026, 7, 5), "Europe/Berlin") == datetime(2026, 7, 5, 10, tzinfo=UTC)
