"""Setting up a trial and drawing its groups."""

from dataclasses import replace
from datetime import date
from importlib import import_module
from statistics import variance

import pytest
from django.apps import apps
from django.db.models import Avg

from fleet.due.models import ChosenFluid
from fleet.faults import Fault, Forbidden, Question, Refused
from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.stores.models import Product
from fleet.trials.assign import assign, exclude
from fleet.trials.models import Rating, Trial
from fleet.trials.set_up import OUR_CHOICE, SetUp, planned, set_up
from tests.kept import kept
from tests.scene import INVENTED, NOW, depot, service, van, van_type
from tests.trials.field import PROGRAM, Field, alike, begun, given, person, products, rated

pytestmark = pytest.mark.django_db
FEW = "a small scene"


@kept
def asked() -> SetUp:
    return given(service(km=60_000), *products())


def test_a_trial_says_how_many_vehicles_it_needs(asked: SetUp) -> None:
    trial = set_up(PROGRAM, asked)
    assert (trial.needed_per_group or 0) >= 4
    assert trial.spreads_source == OUR_CHOICE
    assert 0.5 < trial.effect_left < 1
    assert trial.events.get().what == "set up"


def test_the_interval_is_the_services_own_unless_one_is_given(asked: SetUp) -> None:
    assert set_up(PROGRAM, replace(asked, interval_km=None)).interval_km == 60_000


@pytest.mark.parametrize(("with_filter_l", "quantity_ml"), [(None, 1_500), (1.8, 1_800)])
def test_a_change_takes_the_refill_of_the_compartment(
    asked: SetUp, with_filter_l: float | None, quantity_ml: int
) -> None:
    gearbox = asked.service.compartment
    gearbox.service_refill_l, gearbox.service_refill_with_filter_l = 1.5, with_filter_l
    assert set_up(PROGRAM, replace(asked, quantity_ml=None)).quantity_ml == quantity_ml


def test_a_seed_that_nobody_gave_fits_its_column(asked: SetUp) -> None:
    seeds = {set_up(PROGRAM, replace(asked, name=f"Trial {n}", seed=None)).seed for n in range(3)}
    assert len(seeds) == 3
    assert max(seeds) < 2**31  # a positive integer of PostgreSQL


def test_a_difference_out_of_reach_is_recorded_as_such(asked: SetUp) -> None:
    assert set_up(PROGRAM, replace(asked, smallest_difference=0.05)).needed_per_group is None


def test_the_letter_says_nothing_about_the_product(asked: SetUp) -> None:
    letters = set()
    for seed in range(6):
        trial = set_up(PROGRAM, replace(asked, name=f"Trial {seed}", seed=seed))
        letters.add(trial.groups.get(tried=True).letter)
    assert letters == {"A", "B"}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"ends_on": date(2025, 1, 1)}, "ends after it starts"),
        ({"name": "  "}, "needs a name"),
        ({"smallest_difference": 0.0}, "above 0"),
        ({"missing_share": 1.0}, "share missing"),
        ({"quantity_ml": None}, "no refill quantity"),
    ],
)
def test_what_does_not_fit_is_told(asked: SetUp, change: dict[str, object], words: str) -> None:
    with pytest.raises(Fault, match=words):
        set_up(PROGRAM, replace(asked, **change))  # type: ignore[arg-type]
    assert not Trial.objects.exists()


def test_one_product_is_no_comparison(asked: SetUp) -> None:
    with pytest.raises(Fault, match="two products"):
        set_up(PROGRAM, replace(asked, tried=asked.usual))


def test_a_fluid_that_the_compartment_does_not_accept_is_not_tried(asked: SetUp) -> None:
    other = Product.objects.create(slug="other", name="Other oil", source=INVENTED)
    with pytest.raises(Fault, match="accepts"):
        set_up(PROGRAM, replace(asked, tried=other))


@pytest.mark.parametrize("kind", ["brake", "clutch", "cooling"])
def test_no_longer_interval_is_ever_proposed_for_brake_fluid_or_coolant(
    asked: SetUp, kind: str
) -> None:
    asked.service.compartment.kind = kind
    with pytest.raises(Fault, match="never made longer"):
        set_up(PROGRAM, replace(asked, proposed_interval_km=90_000))


def test_a_mechanic_sets_up_no_trial(asked: SetUp) -> None:
    mechanic = Actor(person("Mika", Role.MECHANIC, depot()), "page", NOW)
    with pytest.raises(Forbidden, match="may not run field trials"):
        set_up(mechanic, asked)


def test_a_name_is_taken_once(asked: SetUp) -> None:
    set_up(PROGRAM, asked)
    with pytest.raises(Fault, match="already"):
        set_up(PROGRAM, asked)


def test_groups_are_drawn_once(asked: SetUp) -> None:
    trial, vans = set_up(PROGRAM, asked), [van(f"V-{number}") for number in range(5)]
    assert assign(PROGRAM, trial, vans, few_because=FEW).vehicles == 5
    with pytest.raises(Refused, match="drawn already"):
        assign(PROGRAM, trial, vans, few_because=FEW)
    assert [event.what for event in trial.events.all()] == ["set up", "groups drawn"]


def test_groups_are_drawn_depot_by_depot(asked: SetUp) -> None:
    trial = set_up(PROGRAM, asked)
    hill = depot("hill")
    drawn = assign(
        PROGRAM,
        trial,
        [*(van(f"P-{at}") for at in range(4)), *(van(f"H-{at}", hill) for at in range(6))],
        few_because=FEW,
    )
    assert drawn.left_over == ()
    tried_there = trial.vehicles.filter(group__tried=True, vehicle__depot=hill)
    assert tried_there.count() == 3


def test_a_vehicle_alone_in_its_depot_is_left_over(asked: SetUp) -> None:
    vans = [van("P-1"), van("P-2"), van("H-1", depot("hill"))]
    assert assign(PROGRAM, set_up(PROGRAM, asked), vans, few_because=FEW).left_over == ("H-1",)


def test_pairs_have_one_of_each(asked: SetUp) -> None:
    trial = set_up(PROGRAM, replace(asked, pairs=True))
    assign(PROGRAM, trial, [van(f"V-{at}") for at in range(13)], few_because=FEW)
    for pair in range(6):
        rows = trial.vehicles.filter(stratum=pair)
        assert sorted(row.group.tried for row in rows) == [False, True]
    assert trial.vehicles.count() == 12


def test_another_type_of_vehicle_cannot_take_part(asked: SetUp) -> None:
    trial, odd = set_up(PROGRAM, asked), van("V-9")
    kind = van_type()
    kind.pk, kind.slug = None, "lorry"  # a type of its own
    kind.save()
    odd.vehicle_type = kind
    odd.save()
    with pytest.raises(Fault, match="V-9 cannot take part"):
        assign(PROGRAM, trial, [van("V-1"), odd])


def test_fewer_vehicles_than_needed_are_asked_about_before_anything_is_drawn(asked: SetUp) -> None:
    trial = set_up(PROGRAM, asked)
    needed = 2 * (trial.needed_per_group or 0)
    with pytest.raises(Question, match=f"5 vehicles can be compared, and {needed} are needed"):
        assign(PROGRAM, trial, [van(f"V-{number}") for number in range(5)])
    assert not trial.vehicles.exists()


def test_as_many_vehicles_as_needed_are_drawn_without_a_question(asked: SetUp) -> None:
    trial = set_up(PROGRAM, replace(asked, smallest_difference=3.0))
    needed = 2 * (trial.needed_per_group or 0)
    assert assign(PROGRAM, trial, [van(f"V-{at}") for at in range(needed)]).vehicles == needed


def test_a_vehicle_is_in_one_trial_of_a_service_at_a_time(asked: SetUp) -> None:
    vans = [van(f"V-{number}") for number in range(5)]
    assign(PROGRAM, set_up(PROGRAM, asked), vans, few_because=FEW)
    second = set_up(PROGRAM, replace(asked, name="Second"))
    with pytest.raises(Fault, match="V-4 is in Dearer gearbox oil, a trial of the same service"):
        assign(PROGRAM, second, vans[4:] + [van("V-9")], few_because=FEW)
    later = set_up(
        PROGRAM,
        replace(asked, name="Later", starts_on=date(2026, 12, 2), ends_on=date(2027, 12, 1)),
    )
    assert assign(PROGRAM, later, vans, few_because=FEW).vehicles == 5


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"interval_km": 500.0}, "500 km does not"),
        ({"interval_km": 0.0}, "0 km does not"),
        ({"interval_km": -1.0}, "does not"),
        ({"interval_km": float("nan")}, "does not"),
        ({"interval_km": float("inf")}, "does not"),
        ({"proposed_interval_km": 10_000.0}, "above the 17,000 km compared"),
        ({"proposed_interval_km": float("nan")}, "correct it, or leave it out"),
    ],
)
def test_a_bad_interval_is_one_sentence(
    asked: SetUp, changes: dict[str, float], words: str
) -> None:
    with pytest.raises(Fault, match=words):
        set_up(PROGRAM, replace(asked, **changes))
    assert not Trial.objects.exists()


def test_who_lacks_a_depot_draws_no_vehicle_of_it(asked: SetUp) -> None:
    engineer = Actor(person("Noor", Role.ENGINEER, depot()), "page", NOW)
    trial = set_up(engineer, asked)
    with pytest.raises(Forbidden):
        assign(engineer, trial, [van("V-1"), van("H-1", depot("hill"))])


def test_of_a_long_reason_the_event_keeps_what_its_column_holds() -> None:
    trial, day = begun(2).trial, date(2026, 1, 5)
    exclude(PROGRAM, trial, from_on=day, until_on=day, reason=290 * "x")
    assert len(trial.events.get(what="period excluded").detail) == 300


def test_an_excluded_period_is_recorded_once_with_whose_it_is(two: Field) -> None:
    days = {"from_on": date(2026, 2, 1), "until_on": date(2026, 2, 3), "reason": "a strike"}
    assert exclude(PROGRAM, two.trial, **days) == exclude(PROGRAM, two.trial, **days)
    exclude(PROGRAM, two.trial, **days, vehicle=two.vans[0])
    events = two.trial.events.filter(what="period excluded").order_by("pk")
    said = "{}, 2026-02-01 to 2026-02-03: a strike"
    assert [event.detail for event in events] == [said.format("every vehicle"), said.format("V-1")]


def test_a_new_trial_rests_on_the_spread_and_mean_of_past_ratings(sixteen: Field) -> None:
    rated(sixteen, alike)
    usual = Rating.objects.filter(age_km__gt=1_000, trial_vehicle__group__tried=False)
    plan, source = planned(
        given(sixteen.trial.service, *Product.objects.order_by("pk"), name="Another")
    )
    mean = usual.aggregate(mean=Avg("value"))["mean"]  # by the database
    past = Rating.objects.filter(age_km__gt=1_000)
    assert (plan.mean, source) == (pytest.approx(mean), f"{past.count()} past ratings")
    # pooled over vehicles, by the standard library
    each = [
        list(past.filter(trial_vehicle=place).values_list("value", flat=True))
        for place in sixteen.places
    ]
    squares = sum(variance(values) * (len(values) - 1) for values in each)
    within = (squares / sum(len(values) - 1 for values in each)) ** 0.5
    assert plan.within_sd == pytest.approx(within)


def test_vehicles_are_to_get_the_product_of_their_group_while_the_trial_runs() -> None:
    trial = begun(8).trial
    wanted = {(one.vehicle_id, one.group.product_id) for one in trial.vehicles.all()}
    chosen = ChosenFluid.objects.all()
    assert {(row.vehicle_id, row.product_id) for row in chosen} == wanted
    spans = {(row.compartment_id, row.from_on, row.until_on) for row in chosen}
    assert spans == {(trial.service.compartment_id, trial.starts_on, trial.ends_on)}


def test_vehicles_of_trials_drawn_before_are_given_their_product_by_migration() -> None:
    trial = begun(8).trial
    ChosenFluid.objects.all().delete()
    migration = import_module("fleet.trials.migrations.0002_fluids_of_running_trials")
    migration.choose(apps, None)
    wanted = {(one.vehicle_id, one.group.product_id) for one in trial.vehicles.all()}
    assert set(ChosenFluid.objects.values_list("vehicle_id", "product_id")) == wanted
