from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from fleet import chain
from fleet.due.explain import Explanation, call_words, explain, limit_words
from fleet.due.models import DueDate, DueEarlier, Fill, Limit, Service
from fleet.duty.models import Criterion, DutyAssessment, DutyOverride
from fleet.faults import Fault
from fleet.people.models import Role
from fleet.today import ago
from fleet.vehicles.models import Vehicle
from tests import scene
from tests.cast import person
from tests.scene import NOW
from tests.stores import shelf

pytestmark = pytest.mark.django_db


def explained(vehicle: Vehicle, service: Service) -> Explanation:
    chain.refresh([vehicle.pk], NOW)
    return explain(vehicle, service, NOW)


def test_it_names_the_last_service_the_limit_the_reading_and_what_binds() -> None:
    oil, vehicle = scene.service(km=20_000, months=48), scene.van()
    scene.done(vehicle, oil, date(2026, 1, 1), 10_000)
    scene.readings(vehicle, scene.steady(10_000, 700, 24))
    text = "\n".join(explained(vehicle, oil).lines)
    assert "Last done 1 Jan 2026 at 10,000 km (baseline: invented for the tests)." in text
    assert "Limit under normal duty: 20,000 km or 48 months, whichever first" in text
    assert "Last accepted reading 26,100 km on 15 Jun 2026, today." in text
    assert "Limit reached first: the distance, certainly. Left: 3,900 km" in text


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"after_km": 80}, "within 80 km"),
        ({"due_on": date(2026, 2, 14)}, "by 14 Feb 2026"),
        ({"after_km": 80, "due_on": date(2026, 2, 14)}, "within 80 km or by 14 Feb 2026"),
    ],
)
def test_a_call_says_by_when_it_wants_its_service(given: dict[str, Any], words: str) -> None:
    assert call_words(DueEarlier(**given)) == words


@pytest.mark.parametrize(
    ("days", "said"), [(0, "today"), (1, "1 day ago"), (2, "2 days ago"), (150, "5 months ago")]
)
def test_how_long_ago_a_reading_was_is_said_in_one_way(days: int, said: str) -> None:
    assert ago(days) == said
    oil, vehicle = scene.service(), scene.van()
    scene.readings(vehicle, scene.steady(10_000, 700, 24))
    chain.refresh([vehicle.pk], NOW)
    (line,) = [
        one
        for one in explain(vehicle, oil, NOW + timedelta(days=days)).lines
        if one.startswith("Last accepted")
    ]
    assert f"on 15 Jun 2026, {said}." in line


def test_it_names_what_is_inside_unless_that_is_to_be_kept_from_the_reader() -> None:
    oil, vehicle = scene.service(), scene.van()
    scene.done(vehicle, oil, date(2026, 1, 1), 10_000)
    fill = Fill.objects.create(
        vehicle=vehicle,
        compartment=oil.compartment,
        filled_on=date(2026, 1, 1),
        product=shelf.product(),
        origin="product",
        quantity_ml=1_500,
        source=scene.INVENTED,
    )
    assert f"In the gearbox: {fill}." in "\n".join(explained(vehicle, oil).lines)
    hidden = "\n".join(explain(vehicle, oil, NOW, hide_fluid=True).lines)
    assert "Last done 1 Jan 2026" in hidden
    assert "In the gearbox" not in hidden
    Fill.objects.all().delete()
    assert "In the gearbox" not in "\n".join(explain(vehicle, oil, NOW).lines)


def test_an_unknown_history_says_what_would_settle_it() -> None:
    oil, vehicle = scene.service(), scene.van()
    scene.readings(vehicle, scene.steady(10_000, 700, 24))
    found = explained(vehicle, oil)
    assert found.state == "history_unknown"
    assert any("baseline" in line for line in found.lines)


def test_a_start_of_use_is_named_as_the_beginning() -> None:
    oil = scene.service()
    vehicle = scene.van(joined_as="new", in_service_on=date(2026, 1, 15), in_service_km=12)
    scene.readings(vehicle, scene.steady(20, 700, 20))
    lines = explained(vehicle, oil).lines
    assert any("counted from the start of use on 15 Jan 2026 at 12 km" in line for line in lines)


def test_a_service_without_a_due_date_is_refused_with_a_remedy() -> None:
    oil, vehicle = scene.service(), scene.van()
    with pytest.raises(Fault, match="sumpwise nightly"):
        explain(vehicle, oil, NOW)


def test_every_line_ends_as_a_sentence() -> None:
    oil, vehicle = scene.service(km=20_000, months=48), scene.van()
    scene.done(vehicle, oil, date(2026, 1, 1), 10_000)
    scene.readings(vehicle, scene.steady(10_000, 700, 24))
    assert all(line.endswith(".") for line in explained(vehicle, oil).lines)


def test_limits_are_put_in_words() -> None:
    oil = scene.service(km=60_000, months=36)
    assert limit_words(oil.limits.get()) == "60,000 km or 36 months, whichever first"
    yearly = Limit(service=oil, yearly_month=10, yearly_day=1, source="x")
    assert limit_words(yearly) == "every year by 1 October"
    assert limit_words(Limit(service=oil, limit_months=1, source="x")) == "1 month"


def test_life_used_is_split_by_the_duty_classes_it_was_used_in() -> None:
    # by hand: 33,300 of 30,000 km normal up to 31 May, then 1,400 of 20,000 km severe
    scene.service(km=30_000, months=None)
    oil, vehicle = scene.service(km=20_000, months=None, duty_class="severe"), scene.van()
    scene.done(vehicle, oil, date(2025, 6, 1), 0)
    for on, km in (((2025, 6, 2), 0), ((2026, 6, 1), 33_300), ((2026, 6, 15), 34_700)):
        scene.readings(vehicle, [km], until=datetime(*on, tzinfo=UTC))
    DutyOverride.objects.create(
        vehicle=vehicle,
        compartment=oil.compartment,
        from_on=date(2026, 6, 1),
        until_on=date(2027, 1, 1),
        duty_class="severe",
        reason="seen on the road",
    )
    found = explained(vehicle, oil)
    assert "Life used: 111 % in normal duty to 31 May 2026, 7 % in severe since." in found.lines
    assert [(part.duty_class, part.until_on) for part in found.life_by_class] == [
        ("normal", date(2026, 5, 31)),
        ("severe", None),
    ]


def test_with_one_class_there_is_nothing_to_split() -> None:
    oil, vehicle = scene.service(km=20_000, months=48), scene.van()
    scene.done(vehicle, oil, date(2026, 1, 1), 10_000)
    scene.readings(vehicle, scene.steady(10_000, 700, 24))
    found = explained(vehicle, oil)
    assert not any(line.startswith("Life used:") for line in found.lines)
    assert found.life_by_class[0].life_used == pytest.approx(16_100 / 20_000)


def hot_climate() -> None:
    Criterion.objects.create(
        slug="hot-climate",
        name="Hot climate",
        compartments=["gearbox"],
        powertrains=[],
        conditions=[[["mean_daily_max_c", ">=", 38]]],
        share_limit=0.25,
        source=scene.INVENTED,
    )


def test_the_duty_class_is_said_with_what_made_it() -> None:
    oil, vehicle = scene.service(), scene.van()
    scene.service(duty_class="severe", km=30_000)
    scene.done(vehicle, oil, date(2026, 1, 1), 10_000)
    scene.readings(vehicle, scene.steady(10_000, 700, 24))
    chain.refresh([vehicle.pk], NOW)
    assert why(vehicle, oil).startswith("No duty criterion is entered,")

    hot_climate()
    DutyAssessment.objects.all().delete()
    assert why(vehicle, oil) == ("The duty class has not been assessed yet; normal stands in.")
    exposure = {
        "criterion": "hot-climate",
        "exposure": 0.31,
        "limit": 0.25,
        "reached": False,
        "declared": False,
    }
    assess(vehicle, oil, date(2026, 2, 1), "normal", [exposure])
    assert why(vehicle, oil) == "Normal since records began: no criterion reaches its share."
    assess(vehicle, oil, date(2026, 4, 1), "severe", [exposure | {"reached": True}])
    assert why(vehicle, oil) == (
        "Severe since 1 Apr 2026: hot climate in 31\u202f% of use in the 12 months "
        "before 1 Apr 2026 (limit 25\u202f%)."
    )
    assess(vehicle, oil, date(2026, 5, 1), "severe", [exposure])
    assert why(vehicle, oil) == (
        "Severe since 1 May 2026: not yet calm for long enough to be normal again."
    )
    assess(vehicle, oil, date(2026, 6, 1), "normal", [exposure])
    assert why(vehicle, oil) == "Normal since 1 Jun 2026: no criterion reaches its share."


def test_a_class_set_by_hand_is_said_with_who_set_it_where_that_is_known() -> None:
    oil, vehicle = scene.service(), scene.van()
    scene.done(vehicle, oil, date(2026, 1, 1), 10_000)
    scene.readings(vehicle, scene.steady(10_000, 700, 24))
    chain.refresh([vehicle.pk], NOW)
    override = DutyOverride.objects.create(
        vehicle=vehicle,
        compartment=oil.compartment,
        from_on=date(2026, 6, 1),
        until_on=date(2026, 6, 15),
        duty_class="normal",
        reason="new route",
    )
    assert why(vehicle, oil) == "Set until 15 Jun 2026: new route."
    DutyOverride.objects.filter(pk=override.pk).update(
        person=person("Emil", Role.ENGINEER, vehicle.depot)
    )
    assert why(vehicle, oil) == "Set by Emil until 15 Jun 2026: new route."


def assess(
    vehicle: Vehicle, service: Service, from_on: date, duty_class: str, evidence: list[object]
) -> None:
    DutyAssessment.objects.create(
        vehicle=vehicle,
        compartment=service.compartment,
        from_on=from_on,
        duty_class=duty_class,
        evidence=evidence,
    )
    DueDate.objects.update(duty_class=duty_class)


def why(vehicle: Vehicle, service: Service) -> str:
    (line,) = [one for one in explain(vehicle, service, NOW).lines if one.startswith("Limit under")]
    return line.partition(f"({scene.INVENTED}). ")[2]
