"""Each line of an explanation, from rows written by hand."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from fleet import chain
from fleet.due.explain import call_words, explain, limit_words, limits_by_class
from fleet.due.models import DueDate, DueEarlier, Limit, Service, ServiceDone
from fleet.duty.models import Criterion, DutyAssessment, DutyOverride
from fleet.readings.models import Reading
from fleet.usage.models import UsageState
from fleet.vehicles.models import Meter, Vehicle
from tests import scene
from tests.kept import kept
from tests.scene import INVENTED, NOW
from tests.stores import shelf

pytestmark = pytest.mark.django_db
TODAY = NOW.date()
MIDNIGHT_D = datetime(2026, 6, 15, tzinfo=UTC).timestamp() / 86_400

TOO = ", and with a change of duty class"

Due = tuple[Vehicle, Service]


@kept
def due() -> Due:
    oil, vehicle = scene.service(km=20_000, months=48), scene.van()
    scene.done(vehicle, oil, date(2026, 1, 1), 10_000)
    scene.readings(vehicle, scene.steady(10_000, 700, 24))
    chain.refresh([vehicle.pk], NOW)
    return vehicle, oil


def lines(due: Due, now: datetime = NOW, **changes: object) -> str:
    DueDate.objects.update(**changes)
    return "\n".join(explain(*due, now).lines)


def in_july(day: int) -> date:
    return date(2026, 7, day)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "later. Earliest likely 3 Jul 2026, expected (50:50) 8 Jul 2026, latest likely "
             "20 Jul 2026. Life used 25\u202f%."),
        ({"p10": in_july(8), "p90": in_july(8)}, "later, on 8 Jul 2026. Life used 25\u202f%."),
        ({"p90": None}, "later. Earliest likely 3 Jul 2026, expected (50:50) 8 Jul 2026, latest "
                        "likely unknown. Life used 25\u202f%."),
        ({"p50": None, "sort_on": date(9999, 12, 31)},
         "later; no limit in sight within ten years."),
        ({"beyond_by_reading": True, "p50": date(2026, 6, 1)},
         "overdue since 1 Jun 2026, by an accepted reading. Life used 25\u202f%."),
        ({"meter_life": None}, "later. Earliest likely 3 Jul 2026, expected (50:50) 8 Jul 2026, "
                               "latest likely 20 Jul 2026."),
        ({"history_known": False},
         "history unknown. No date is given, because none would be honest."),
        ({"sort_on": date(2026, 6, 14), "p50": date(2026, 6, 14)},
         "probably overdue. Earliest likely 3 Jul 2026, expected (50:50) 14 Jun 2026, latest "
         "likely 20 Jul 2026. Life used 25\u202f%."),
    ],
)  # fmt: skip
def test_the_headline_gives_state_dates_and_life(
    due: Due, changes: dict[str, object], said: str
) -> None:
    row = {
        **{"p10": in_july(3), "p50": in_july(8), "p90": in_july(20), "sort_on": in_july(8)},
        **{"calendar_on": None, "calendar_life": None, "meter_life": 0.25},
    }
    assert lines(due, **(row | changes)).splitlines()[0] == f"Gearbox oil: {said}"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        # read on 15 June: 3,900 km in 39 days, 20 and 1
        ({"binding_probability": 0.995},
         "the distance, certainly. Left: 3,900 km. At about 100 km a day from that reading on, "
         "it is used up on 24 Jul 2026."),
        ({"binding_probability": 1, "p50": in_july(5)},
         "the distance, certainly. Left: 3,900 km. At about 195 km a day from that reading on, "
         "it is used up on 5 Jul 2026."),
        ({"binding_probability": 1, "p50": TODAY + timedelta(days=1), "remaining_km": 90},
         "the distance, certainly. Left: 90 km. At about 90 km a day from that reading on, "
         "it is used up on 16 Jun 2026."),
        ({"binding_probability": 1, "p50": TODAY},
         "the distance, certainly. Left: 3,900 km."),
        ({"binding_probability": 1, "p50": None},
         "the distance, certainly. Left: 3,900 km."),
        ({"binding_probability": 0.99},
         "the distance, with 99\u202f% probability. Left: 3,900 km."),
        ({"binding_probability": None},
         "the distance, with 0\u202f% probability. Left: 3,900 km."),
        ({"binding_limit": "hours", "binding_probability": 0.6, "remaining_h": 34.4},
         "the engine hours, with 60\u202f% probability. Left: 3,900 km, 34 h."),
        ({"binding_probability": 1, "remaining_km": -1_260, "remaining_h": -2.5},
         "the distance, certainly. Over: 1,260 km, 2 h."),
        ({"binding_probability": 1, "remaining_km": 0, "calendar_on": TODAY - timedelta(days=1)},
         "the distance, certainly. Left: 0 km. Over: the calendar since 14 Jun 2026."),
        ({"binding_probability": 1, "remaining_km": -0.6, "calendar_on": TODAY},
         "the distance, certainly. Left: the calendar until 15 Jun 2026. Over: 1 km."),
        ({"binding_limit": "calendar", "binding_probability": 1, "remaining_km": None,
          "calendar_on": in_july(8)},
         "the calendar, certainly. Left: the calendar until 8 Jul 2026."),
    ],
)  # fmt: skip
def test_what_is_reached_first_is_said_with_its_odds_and_all_that_is_left(
    due: Due, changes: dict[str, object], said: str
) -> None:
    row = {"binding_limit": "km", "remaining_km": 3_900, "remaining_h": None, "calendar_on": None}
    assert f"\nLimit reached first: {said}\n" in lines(due, **(row | changes))


def test_the_day_of_a_call_is_told_from_that_of_a_limit(due: Due) -> None:
    vehicle, oil = due
    row = {"binding_limit": "calendar", "binding_probability": 1, "remaining_km": None}
    row |= {"remaining_h": None, "calendar_on": in_july(8)}
    call = DueEarlier.objects.create(
        vehicle=vehicle, service=oil, called_on=TODAY, due_on=in_july(8), reason="a seep"
    )
    said = "Limit reached first: the day of the call, certainly. Left: the day of the call until "
    assert f"{said}8 Jul 2026.\n" in lines(due, **row)
    DueEarlier.objects.filter(pk=call.pk).update(due_on=in_july(9))
    said = "Limit reached first: the calendar, certainly. Left: the calendar until 8 Jul 2026.\n"
    assert said in lines(due, **row)
    assert "day of the call" not in lines(due, calendar_on=None)


@pytest.mark.parametrize("verdict", ["held", "rejected"])
def test_a_total_that_waits_to_be_settled_says_how_it_counts(due: Due, verdict: str) -> None:
    told = f" That figure is {verdict}: until it is settled, it counts as no less than what had"
    assert told not in lines(due)
    reading = Reading.objects.latest("taken_at")
    ServiceDone.objects.update(provisional=True, reading=reading)
    Reading.objects.filter(pk=reading.pk).update(verdict=verdict)
    assert told in lines(due)
    ServiceDone.objects.update(provisional=False)
    assert told not in lines(due)


def test_nothing_is_reached_first_where_nothing_binds(due: Due) -> None:
    assert "Limit reached first" not in lines(due, binding_limit="none")


LATER = {
    **{"p50": in_july(8), "sort_on": in_july(8), "binding_limit": "km", "calendar_on": None},
    **{"take_a_reading_first": False, "provisional": False},
}


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"history_known": False, "provisional": True}, "A baseline would give it a date."),
        ({"provisional": True, "beyond_by_reading": True},
         "Confirming the meter's offset, or settling its held readings, may move it."),
        ({"beyond_by_reading": True, "take_a_reading_first": True},
         "Only the service itself, or a document that shows it was done, moves it now."),
        ({"sort_on": date(2026, 6, 1), "take_a_reading_first": True},
         "Take a reading: it will say whether the limit has passed."),
        ({"take_a_reading_first": True, "binding_limit": "calendar"},
         "The band is wide: a new reading narrows it."),
        ({"binding_limit": "calendar"}, "More or less driving will not move it."),
        ({}, "It moves with the next accepted reading."),
    ],
)  # fmt: skip
def test_the_last_line_names_the_first_thing_that_would_move_it(
    due: Due, changes: dict[str, object], said: str
) -> None:
    assert lines(due, **(LATER | changes)).splitlines()[-1] == said


@pytest.mark.parametrize(
    ("severe", "binding", "said"),
    [
        ({"limit_months": 48}, "km", "It moves with the next accepted reading."),
        ({"limit_months": 48}, "calendar", "More or less driving will not move it."),
        ({"limit_months": 24}, "km",
         "It moves with the next accepted reading, and with a change of duty class."),
        ({"limit_months": 24}, "calendar",
         "More or less driving will not move it; a change of duty class would."),
        ({"limit_months": 48, "tolerance_km": 500}, "km",
         "It moves with the next accepted reading."),
        ({"limit_months": 24, "occasion": "first"}, "km",
         "It moves with the next accepted reading, and with a change of duty class."),
    ],
)  # fmt: skip
def test_a_duty_class_moves_what_has_another_limit_in_it(
    due: Due, severe: dict[str, object], binding: str, said: str
) -> None:
    Limit.objects.filter(duty_class="severe").delete()
    asked = {"service": due[1], "duty_class": "severe", "limit_km": 20_000, "source": INVENTED}
    Limit.objects.create(**(asked | severe))
    row = LATER | {"binding_limit": binding}
    assert lines(due, **row).splitlines()[-1] == said


@pytest.mark.parametrize(
    ("severe", "moves"),
    [
        ([], False),  # where nothing else is stated, the limit counts in either class
        ([{"limit_km": 20_000, "limit_months": 48}], False),
        ([{"limit_km": 15_000, "limit_months": 48}], True),
        ([{"limit_km": 15_000, "limit_months": 48, "occasion": "first"}], True),
    ],
)
def test_a_duty_class_is_said_to_move_what_it_moves(
    due: Due, severe: list[dict[str, Any]], moves: bool
) -> None:
    vehicle, oil = due
    for figures in severe:
        Limit.objects.create(service=oil, duty_class="severe", source=INVENTED, **figures)
    chain.refresh([vehicle.pk], NOW)
    before = DueDate.objects.get()
    said = lines(due, take_a_reading_first=False, provisional=False).splitlines()[-1]
    DutyOverride.objects.create(
        vehicle=vehicle, compartment=oil.compartment, from_on=date(2026, 1, 1),
        until_on=date(2026, 12, 31), duty_class="severe", reason="steep roads",
    )  # fmt: skip
    chain.refresh([vehicle.pk], NOW)
    assert (DueDate.objects.get().p50 != before.p50) is moves
    assert said == f"It moves with the next accepted reading{TOO * moves}."


def test_what_is_only_called_for_is_moved_by_no_duty_class(due: Due) -> None:
    last = lines(due, **(LATER | {"limit": None})).splitlines()[-1]
    assert last == "It moves with the next accepted reading."


def test_everything_is_said_in_the_unit_of_the_vehicles_own_odometer(due: Due) -> None:
    # 1 mile is 1.609344 km: 26,100 km, 10,000 km, 20,000 km, 3,900 km, 160.9344 and 80.4672 km
    Meter.objects.update(unit="mi")
    UsageState.objects.update(rate_km_per_day=160.9344, mu=0.5, u=0.5)
    found = lines(due, remaining_km=3_900, binding_limit="km")
    assert "Last done 1 Jan 2026 at 6,214 mi (" in found
    assert "Limit under normal duty: 12,427 mi or 48 months, whichever first" in found
    assert "Last accepted reading 16,218 mi on" in found
    assert "Running about 100 mi a day now, 50 in the long run" in found
    assert "Left: 2,423 mi" in found


def test_a_start_of_use_without_a_total_counts_from_nothing(due: Due) -> None:
    vehicle, _ = due
    vehicle.in_service_on, vehicle.in_service_km = date(2026, 1, 15), None
    found = lines(due, anchor=None)
    assert "counted from the start of use on 15 Jan 2026 at 0 km." in found
    vehicle.in_service_on = None
    assert "Nothing says when it was last done: it is due because it was called for." in lines(due)


def test_a_service_done_without_a_total_is_named_by_its_day(due: Due) -> None:
    vehicle, oil = due
    done = scene.done(vehicle, oil, date(2026, 2, 1), None)
    assert f"Last done 1 Feb 2026 (baseline: {INVENTED})." in lines(due, anchor=done)


def test_without_a_limit_it_says_so_unless_something_calls_for_it(due: Due) -> None:
    said = "No limit is entered for this service and duty class."
    assert said in lines(due, limit=None, p50=None)
    found = lines(due, limit=None, p50=in_july(8))
    assert said not in found
    assert "Limit under" not in found


def test_a_call_for_what_nobody_knows_of_is_not_counted_from_a_start_of_use() -> None:
    oil, vehicle = scene.service(km=20_000, months=48), scene.van()
    Vehicle.objects.update(joined_as=Vehicle.JoinedAs.USED, in_service_on=None)
    scene.readings(vehicle, scene.steady(10_000, 700, 24))
    DueEarlier.objects.create(
        vehicle=vehicle, service=oil, called_on=TODAY, due_on=in_july(8), reason="a seep"
    )
    chain.refresh([vehicle.pk], NOW)
    found = explain(Vehicle.objects.get(), oil, NOW).lines
    assert found[1] == "Nothing says when it was last done: it is due because it was called for."
    assert found[2].startswith("Limit under normal duty: 20,000 km or 48 months")


def test_what_is_due_only_on_call_is_counted_from_nothing(due: Due) -> None:
    vehicle, oil = due
    DutyAssessment.objects.create(
        vehicle=vehicle,
        compartment=oil.compartment,
        from_on=date(2026, 3, 1),
        duty_class="severe",
        evidence=[],
    )
    assert "Life used: " in lines(due)  # of its limit, class after class
    found = lines(due, limit=None, anchor=None, p50=in_july(8))
    assert "\nIt has no limit of its own: it is due only where something calls for it." in found
    assert ("start of use" in found, "Life used: " in found) == (False, False)
    vehicle.in_service_on = date(2026, 1, 15)
    assert "start of use" in lines(due, anchor=None, limit=Limit.objects.first())


def test_each_standing_call_is_named_with_its_end_and_reason(due: Due) -> None:
    vehicle, oil = due
    for given in ({"after_km": 160.9344}, {"due_on": in_july(8)}):
        DueEarlier.objects.create(vehicle=vehicle, service=oil, called_on=TODAY, reason="a seep",
                                  **given)  # fmt: skip
    assert "\nCalled for within 161 km: a seep. Called for by 8 Jul 2026: a seep.\n" in lines(due)
    assert call_words(DueEarlier(after_km=160.9344), "mi") == "within 100 mi"


@pytest.mark.parametrize(
    ("figures", "said"),
    [
        ({"limit_km": 60_000}, "60,000 km"),
        ({"limit_h": 1_500}, "1,500 h"),
        ({"limit_months": 2}, "2 months"),
        ({"limit_km": 15_000, "limit_h": 400, "occasion": "first"},
         "15,000 km or 400 h, whichever first (first time)"),
        ({"limit_months": 1, "yearly_month": 12, "yearly_day": 31},
         "1 month or every year by 31 December, whichever first"),
    ],
)  # fmt: skip
def test_a_limit_names_each_of_its_figures(figures: dict[str, object], said: str) -> None:
    assert limit_words(Limit(**figures)) == said


def test_a_products_own_limit_names_it_and_the_usual_ones_go_by_class(due: Due) -> None:
    _, oil = due
    product = shelf.product()
    scene.service(km=10_000, months=None, duty_class="severe")
    scene.service(km=5_000, months=None, occasion="first")
    scene.service(km=90_000, months=None, product=product)
    own = Limit.objects.get(product=product)
    assert limit_words(own, "mi") == f"55,923 mi with {product}"
    assert limits_by_class(oil) == [
        ("normal", "20,000 km or 48 months, whichever first"),
        ("severe", "10,000 km"),
    ]


@pytest.mark.parametrize(
    ("months", "said"),
    [
        (6, "(declared; too little was measured in the 6 months before 1 Apr 2026)"),
        (None, "(declared; too little was measured)"),
    ],
)
def test_what_was_declared_is_said_as_such(due: Due, months: int | None, said: str) -> None:
    vehicle, oil = due
    Criterion.objects.create(
        slug="towing" if months else "other", name="Towing", compartments=["gearbox"],
        powertrains=[], conditions=[[["declared", ">=", 1]]], window_months=months or 12,
        source=INVENTED,
    )  # fmt: skip
    DutyAssessment.objects.all().delete()
    evidence = {"criterion": "towing", "exposure": 1, "limit": 0.5, "reached": True}
    for begin in (date(2026, 1, 1), date(2026, 4, 1)):
        DutyAssessment.objects.update_or_create(
            vehicle=vehicle, compartment=oil.compartment, from_on=begin,
            defaults={"duty_class": "severe", "evidence": [evidence | {"declared": True}]},
        )  # fmt: skip
    assert f"Severe since 1 Apr 2026: towing {said}." in lines(due, duty_class="severe")
