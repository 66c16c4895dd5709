"""Whoever was shown what is in a vehicle of a blinded trial is noted, and for nothing else; and who
may know it, who may rate, by role."""

from dataclasses import replace
from datetime import timedelta

import pytest

from fleet.due.models import ChosenFluid
from fleet.people.models import Person, Role
from fleet.stores.models import Item
from fleet.trials.blind import (
    hidden_from,
    knows_products,
    names_kept_secret,
    never_blind,
    orders_shown,
    rates_own,
    to_rate,
    trials_at,
    vehicle_shown,
    why_not_rate,
)
from fleet.trials.lab import gather_samples
from fleet.trials.listing import (
    counted,
    counted_at,
    may_take_part,
    rated_at_an_age,
    samples_of,
    services_to_try,
    shown_choices,
    tried_vehicles,
)
from fleet.trials.models import LabSample, Rating, Unblinded
from fleet.trials.rate import Felt, LabLimits, Measured, add_samples, name_property, rate
from fleet.trials.take_back import take_back_sample
from fleet.vehicles.models import Depot, Vehicle
from fleet.workorders.models import Job, WorkOrder
from tests import scene
from tests.kept import kept
from tests.scene import NOW, service, van
from tests.trials.field import PROGRAM, STARTS_ON, Field, begun, noon, person

pytestmark = pytest.mark.django_db
OVER = NOW.replace(year=2027)


@kept
def field(four: Field) -> Field:
    return four


def who(role: str) -> Person:
    return person(role.title(), Role(role), scene.depot())


@pytest.mark.parametrize(("kind", "noted"), [("gearbox", 1), ("engine", 0)])
def test_an_order_unblinds_only_by_the_compartment_of_the_trial(kind: str, noted: int) -> None:
    field = begun(2)
    place = field.places[0]
    rater = person("Rana", Role.MECHANIC, place.vehicle.depot)
    order = WorkOrder.objects.create(number="W-1", vehicle=place.vehicle, depot=place.vehicle.depot)
    Job.objects.create(
        order=order, vehicle=place.vehicle, service=service(kind, km=None, duty_class="severe"),
        title="Oil", minutes=30,
    )  # fmt: skip
    assert orders_shown(rater, [order.pk], "job card", NOW) == noted
    assert Unblinded.objects.filter(person=rater, trial_vehicle=place).count() == noted
    assert to_rate(rater, field.trial).count() == 2 - noted


# --- who may know ------------------------------------------------------------------------------
# by the table of rights: who runs a trial knows; who rates does not until its end; others may
@pytest.mark.parametrize(
    ("role", "never", "rates"),
    [
        ("supervisor", True, False),
        ("engineer", True, False),
        ("mechanic", False, True),
        ("clerk", False, True),
        ("stores", True, False),
        ("viewer", True, False),
    ],
)
def test_raters_are_blind_and_nobody_else(
    field: Field, role: str, never: bool, rates: bool
) -> None:
    one, place = who(role), field.places[0]
    gearbox = {(place.vehicle_id, field.trial.service.compartment_id)}
    assert (never_blind(one), rates_own(one, field.trial)) == (never, rates)
    assert knows_products(one, field.trial, NOW) is never
    assert hidden_from(one, [place.vehicle_id], NOW) == (set() if never else gearbox)
    assert hidden_from(one, [], NOW) == set()
    assert to_rate(one, field.trial).count() == (4 if rates else 0)
    assert bool(why_not_rate(one, place, NOW)) is never
    # after its end, or where the trial is open, there is nothing to hide
    assert knows_products(one, field.trial, OVER)
    assert hidden_from(one, [place.vehicle_id], OVER) == set()
    field.trial.blinded = False
    field.trial.save()
    opened = field.places[0]
    assert knows_products(one, field.trial, NOW)
    assert rates_own(one, field.trial) is (rates or role in ("supervisor", "engineer"))
    assert why_not_rate(one, opened, NOW) == ""
    assert hidden_from(one, [place.vehicle_id], NOW) == set()
    # of those who rate for themselves every vehicle counts
    assert to_rate(one, field.trial).count() == (4 if rates_own(one, field.trial) else 0)


def test_who_was_shown_a_vehicle_rates_it_no_more_from_then_on(field: Field) -> None:
    rater, place = who("mechanic"), field.places[0]
    assert vehicle_shown(rater, place.vehicle_id, "the history", NOW) == 1
    assert vehicle_shown(rater, place.vehicle_id, "the page", NOW + timedelta(hours=1)) == 1
    row = Unblinded.objects.get()  # the first time counts
    assert (row.by, row.seen_at, row.trial_vehicle) == ("the history", NOW, place)
    assert why_not_rate(rater, place, NOW - timedelta(seconds=1)) == ""
    told = why_not_rate(rater, place, NOW)
    assert (
        told
        == "The history showed you which product is in V-1: another person rates it from now on."
    )
    assert [one.pk for one in to_rate(rater, field.trial)] == [one.pk for one in field.places[1:]]
    assert vehicle_shown(who("engineer"), place.vehicle_id, "the history", NOW) == 0
    assert vehicle_shown(rater, field.places[1].vehicle_id, "x" * 200, NOW) == 1
    assert len(Unblinded.objects.latest("pk").by) == 120
    field.trial.blinded = False  # and then nobody need be blind
    assert to_rate(rater, field.trial).count() == 4


def test_an_order_on_which_the_fluid_was_poured_unblinds_too(field: Field) -> None:
    rater, place = who("mechanic"), field.places[0]
    order = WorkOrder.objects.create(number="W-1", vehicle=place.vehicle, depot=place.vehicle.depot)
    job = Job.objects.create(order=order, vehicle=place.vehicle, title="Leak", minutes=30)
    assert orders_shown(rater, [order.pk], "job card", NOW) == 0
    job.fluids.create(
        compartment=field.trial.service.compartment, way="filled", quantity_ml=200,
        client_key="poured-01", performed_at=NOW, channel="test",
    )  # fmt: skip
    assert orders_shown(rater, [order.pk], "job card", OVER) == 0  # nothing is hidden any more
    assert orders_shown(rater, [order.pk], "job card", NOW) == 1
    assert orders_shown(who("viewer"), [order.pk], "job card", NOW) == 0


def test_what_is_compared_is_called_by_any_name_that_it_has_or_had(field: Field) -> None:
    first, other = field.places[0].vehicle_id, van("V-9").pk
    usual = field.trial.groups.get(tried=False).product
    Item.objects.create(slug="drum", name="Oil in drums", kind="fluid", unit="mL", product=usual)
    Item.objects.create(slug="filter", name="Filter", kind="filter", unit="pieces")
    usual.name = "Renamed oil"
    usual.save()
    names = {"Usual oil", "Renamed oil", "Oil in drums", "Dearer oil"}
    found = names_kept_secret([first, other], NOW)
    assert found[first] == names
    assert other not in found
    assert names_kept_secret([first], OVER) == {}
    field.trial.blinded = False
    field.trial.save()
    assert names_kept_secret([first], NOW) == {}


# --- lists -------------------------------------------------------------------------------------
def test_trials_are_listed_where_they_have_a_vehicle(field: Field) -> None:
    here, far = Depot.objects.filter(slug="plain"), [scene.depot("far")]
    assert list(trials_at(here)) == [field.trial]
    assert list(trials_at(far)) == []
    (row,) = counted_at(here)
    assert row.count == 4  # type: ignore[attr-defined]
    Vehicle.objects.filter(pk=field.places[0].vehicle_id).update(depot=far[0])
    assert [one.count for one in counted_at(far)] == [4]  # type: ignore[attr-defined]


def test_vehicles_and_ratings_are_counted_and_those_of_no_age_left_out(field: Field) -> None:
    pk, place = field.trial.pk, field.places[0]
    assert counted([pk]) == {pk: (4, 0)}
    (row,) = rate(PROGRAM, [Felt(place, 3, noon(STARTS_ON + timedelta(days=9)), "one")])
    assert counted([pk]) == {pk: (4, 1)}
    assert list(rated_at_an_age(field.trial)) == [row]
    Rating.objects.update(age_km=None)
    assert list(rated_at_an_age(field.trial)) == []
    assert counted([pk + 1]) == {}
    tried = {one.vehicle_id for one in field.places if one.group.tried}
    assert set(tried_vehicles(field.trial)) == tried


def test_samples_are_listed_newest_first_and_those_taken_back_count_no_more(field: Field) -> None:
    limits = LabLimits(name="Iron", slug="iron", unit="mg/kg", high=500.0, source="invented")
    iron, place = name_property(PROGRAM, field.trial, limits), field.places[0]
    given = [
        Measured(place, iron, STARTS_ON + timedelta(days=days), 90.0, "L-1", f"s-{days}")
        for days in (5, 9, 7)
    ]
    first, second, third = add_samples(PROGRAM, given)
    here = Depot.objects.filter(slug="plain")
    assert list(samples_of(field.trial, here)) == [second, third, first]
    assert list(samples_of(field.trial, Depot.objects.none())) == []
    take_back_sample(replace(PROGRAM), third, reason="another van")
    assert samples_of(field.trial, here).count() == 3
    days = gather_samples(field.trial, NOW).drawn_d - STARTS_ON.toordinal()
    assert (days[1] - days[0], len(days)) == (4, 2)
    until = noon(STARTS_ON + timedelta(days=5))
    assert len(gather_samples(field.trial, until).value) == 1  # the day itself is in it
    assert LabSample.objects.count() == 3


def test_who_may_take_part_and_which_services_may_be_tried(field: Field) -> None:
    of = field.trial.service
    here = Depot.objects.filter(slug="plain")
    Vehicle.objects.filter(fleet_number="V-2").update(status="sold")
    numbers = set(may_take_part(of, here).values_list("fleet_number", flat=True))
    assert numbers == {"V-1", "V-3", "V-4"}
    assert list(services_to_try()) == [of]
    type(of).objects.update(kind="check")
    assert list(services_to_try()) == []


def test_choices_are_hidden_from_those_who_rate(field: Field) -> None:
    rows, ids = ChosenFluid.objects.all(), [place.vehicle_id for place in field.places]
    assert shown_choices(rows, who("engineer"), ids, NOW).count() == 4
    rater = who("mechanic")
    assert shown_choices(rows, rater, ids, NOW).count() == 0
    assert shown_choices(rows, rater, ids[:1], NOW).count() == 3
    assert shown_choices(rows, rater, ids, OVER).count() == 4
