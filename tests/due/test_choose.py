"""A fluid chosen for one vehicle: what a choice must say, and that two never cover one day."""

from datetime import date, timedelta

import pytest

from fleet.due.choose import Chosen, choose, chosen_within, end_choices
from fleet.due.models import ChosenFluid
from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.stores.models import Product
from fleet.vehicles.models import Vehicle
from tests import scene
from tests.kept import kept
from tests.scene import INVENTED, NOW
from tests.stores import shelf

pytestmark = pytest.mark.django_db


@kept
def van() -> Vehicle:
    return scene.van()


@kept
def fluid() -> Product:
    return shelf.product()


def may(day: int) -> date:
    return date(2026, 5, day)


def given(van: Vehicle, fluid: Product, first: int, last: int | None, **other: object) -> Chosen:
    named = {
        "compartment": van.vehicle_type.compartments.get(slug="engine"),
        "because": "a colder route",
        "source": INVENTED,
        "until_on": None if last is None else may(last),
    }
    return Chosen(vehicle=van, product=fluid, from_on=may(first), **(named | other))  # type: ignore[arg-type]


def chosen(*several: Chosen, person: Person | None = None) -> list[ChosenFluid]:
    return choose(Actor(person, "test", NOW), several)


def test_a_choice_says_what_for_whom_from_when_and_why(van: Vehicle, fluid: Product) -> None:
    who = Person.objects.create_user("sura")
    chosen(given(van, fluid, 10, 20, because=" cold ", source=" a letter "), person=who)
    row = ChosenFluid.objects.get()
    assert (row.vehicle, row.product, row.person, row.chosen_at) == (van, fluid, who, NOW)
    assert (row.because, row.source) == ("cold", "a letter")
    assert (row.from_on, row.until_on, row.compartment.slug) == (may(10), may(20), "engine")


@pytest.mark.parametrize(
    ("wrong", "about"),
    [
        ({"because": "  "}, "because"),
        ({"source": ""}, "because"),
        ({"until_on": may(9)}, "until_on"),
    ],
)
def test_without_reason_or_source_or_with_an_end_before_its_beginning_it_is_no_choice(
    van: Vehicle, fluid: Product, wrong: dict[str, object], about: str
) -> None:
    with pytest.raises(Fault) as fault:
        chosen(given(van, fluid, 10, None, **wrong))
    assert fault.value.about == about
    assert chosen(given(van, fluid, 10, 10))  # one day is enough


def test_a_vehicle_has_the_compartments_of_its_own_type_only(van: Vehicle, fluid: Product) -> None:
    other = van.vehicle_type
    part = other.compartments.get(slug="gearbox")
    other.pk, other.slug = None, "other"
    other.save()
    part.pk, part.vehicle_type = None, other
    part.save()
    with pytest.raises(Fault, match="has no Gearbox") as fault:
        chosen(given(Vehicle.objects.get(), fluid, 10, None, compartment=part))
    assert fault.value.about == "compartment"


@pytest.mark.parametrize(
    ("first", "last", "free"),
    [
        (1, 9, True),  # the day before the other begins
        (1, 10, False),
        (12, 14, False),
        (20, None, False),  # the other's last day
        (21, None, True),
        (1, None, False),
    ],
)
def test_a_second_choice_may_cover_no_day_of_the_first(
    van: Vehicle, fluid: Product, first: int, last: int | None, free: bool
) -> None:
    chosen(given(van, fluid, 10, 20))
    second = given(van, fluid, first, last)
    if free:
        assert chosen(second)
        return
    with pytest.raises(Refused, match=r"from 10 May 2026 because of a colder route") as refused:
        chosen(second)
    assert refused.value.about == "product"
    assert ChosenFluid.objects.count() == 1


def test_other_vehicles_and_compartments_are_free_and_an_open_end_covers_all(
    van: Vehicle, fluid: Product
) -> None:
    chosen(given(van, fluid, 10, None))
    gearbox = van.vehicle_type.compartments.get(slug="gearbox")
    assert chosen(
        given(van, fluid, 10, None, compartment=gearbox),
        given(scene.van("V-2"), fluid, 10, None),
    )
    with pytest.raises(Refused):
        chosen(given(van, fluid, 30, None))


def test_choices_are_ended_the_day_before_with_who_and_why(van: Vehicle, fluid: Product) -> None:
    who = Person.objects.create_user("sura")
    past, running, planned = chosen(
        given(van, fluid, 1, 9), given(van, fluid, 10, 20), given(van, fluid, 21, None)
    )
    with pytest.raises(Fault) as fault:
        end_choices(Actor(who, "test", NOW), ChosenFluid.objects.all(), on=may(20), reason=" ")
    assert fault.value.about == "reason"
    later = Actor(who, "test", NOW + timedelta(days=1))
    assert end_choices(later, ChosenFluid.objects.all(), on=may(20), reason=" r" * 200) == 2
    assert end_choices(later, ChosenFluid.objects.all(), on=may(15), reason="again") == 0
    for row, last in ((past, 9), (running, 19), (planned, 19)):
        row.refresh_from_db()
        assert row.until_on == may(last)
    assert (past.ended_at, past.ended_by, past.ended_reason) == (None, None, "")
    assert (running.ended_at, running.ended_by) == (later.at, who)
    assert running.ended_reason == ("r " * 200).strip()[:300]
    # one that was ended before it began never stood: its days are free
    assert chosen(given(van, fluid, 20, None))


def test_what_is_chosen_on_a_day_has_begun_and_not_ended(van: Vehicle, fluid: Product) -> None:
    chosen(given(van, fluid, 10, 20), given(van, fluid, 25, None))
    found = {
        day: [
            row.from_on.day for row in ChosenFluid.objects.filter(chosen_within(may(day), may(day)))
        ]
        for day in (9, 10, 20, 21, 24, 25, 31)
    }
    assert found == {9: [], 10: [10], 20: [10], 21: [], 24: [], 25: [25], 31: [25]}
    within = {
        days: ChosenFluid.objects.filter(chosen_within(may(days[0]), may(days[1]))).count()
        for days in ((1, 9), (1, 10), (15, 30), (21, 24))
    }
    assert within == {(1, 9): 0, (1, 10): 1, (15, 30): 2, (21, 24): 0}
