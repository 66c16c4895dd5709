"""What breaks, what is used per km and what a class shares, against counts by hand."""

from datetime import UTC, date, datetime, timedelta
from itertools import count

import numpy as np
import pytest

from fleet.calc.common_factor import USUAL_SIGMA
from fleet.consumables.learn import Learnt, learn
from fleet.consumables.models import ClassMonth, PerKmUse
from fleet.consumables.recipes import gather_recipes
from fleet.due.models import TopUp
from fleet.stores.models import Product
from fleet.usage.models import KmAt
from fleet.vehicles.models import Vehicle
from fleet.workorders.models import Job, Material, MaterialUsed, Procedure, WorkOrder
from tests import scene
from tests.scene import INVENTED, NOW
from tests.stores import shelf

pytestmark = pytest.mark.django_db
TODAY = NOW.date()
MIDNIGHT = datetime(2026, 6, 15, tzinfo=UTC)
keys = count()


def learnt() -> Learnt:
    return learn(TODAY, gather_recipes())


def job(van: Vehicle, **given: object) -> Job:
    order = WorkOrder.objects.create(number=f"W-{next(keys)}", vehicle=van, depot=van.depot)
    return Job.objects.create(order=order, vehicle=van, title="Work", state="done", **given)


def used(of: Job, name: str, days_ago: float = 3, **given: object) -> MaterialUsed:
    at = MIDNIGHT - timedelta(days=days_ago)
    return MaterialUsed.objects.create(
        job=of, name=name, client_key=f"key-{next(keys)}", performed_at=at, channel="test", **given
    )


def recorded_for(days: int) -> None:
    scene.depot()
    type(scene.depot()).objects.update(use_recorded_since_on=TODAY - timedelta(days=days))


# --- parts used on work that is no service ----------------------------------------------------
def test_what_findings_led_to_is_counted_by_the_name_and_unit_of_its_item() -> None:
    clip = shelf.item("clip", kind="seal", unit="pieces")
    grease = shelf.item("grease")
    van = scene.van()
    recorded_for(90)
    work = job(van)
    used(work, " clip ", pieces=3)
    used(work, "Grease", quantity_ml=180)
    used(work, "Clip", quantity_ml=180)  # no such item in millilitres
    used(work, "Something else", pieces=1)
    used(work, "Clip", pieces=0, quantity_ml=0)  # nothing was used
    used(work, "Clip", pieces=5, withdrawn_reason="typed twice")
    used(job(van, service=scene.service()), "Clip", pieces=7)  # of a service: forecast with it
    found = learnt().events
    type_id = van.vehicle_type_id
    # by hand: 180 mL are 200 to the nearest 50
    assert {key: row.quantities for key, row in found.items()} == {
        (type_id, clip.pk): [3],
        (type_id, grease.pk): [200],
    }
    assert found[type_id, clip.pk].count == pytest.approx(0.5 ** (3 / 180))


def test_a_top_up_of_an_unnamed_product_is_of_what_the_compartment_accepts() -> None:
    van, oil = scene.van(), shelf.item("oil", product=shelf.product("oil"))
    recorded_for(90)
    place = van.vehicle_type.compartments.get(slug="engine")
    other = van.vehicle_type.compartments.get(slug="gearbox")
    wanted = oil.product.specifications.create(  # type: ignore[union-attr]
        slug="wanted", name="Wanted", source=INVENTED
    )
    place.accepted_fluids.create(specification=wanted, source=INVENTED)
    for at in (place, other):
        TopUp.objects.create(
            vehicle=van,
            compartment=at,
            topped_up_at=MIDNIGHT - timedelta(days=2),
            quantity_ml=430,
            source=INVENTED,
            client_key=f"key-{next(keys)}",
        )
    assert {key: row.quantities for key, row in learnt().events.items()} == {
        (van.vehicle_type_id, oil.pk): [450]
    }


# --- what breaks -------------------------------------------------------------------------------
def test_pieces_that_broke_are_taken_from_all_that_were_disturbed() -> None:
    clip = shelf.item("clip", kind="one-time fixing", unit="pieces")
    van, service = scene.van(), scene.service()
    procedure = Procedure.objects.create(
        service=service, family="other", edition="1", source=INVENTED, minutes=40
    )
    Material.objects.create(
        procedure=procedure,
        kind="one-time fixing",
        name="Clip",
        item=clip,
        pieces=6,
        source=INVENTED,
    )
    jobs = [job(van, service=service) for _ in range(3)]
    Job.objects.filter(pk=jobs[2].pk).update(state="not done")
    used(jobs[0], "Clip", pieces=2, broken=True)
    used(jobs[0], "Clip", pieces=1, broken=True)
    used(jobs[1], "Clip", pieces=4)  # used, and none broke
    used(jobs[1], "Clip", pieces=5, broken=True, withdrawn_reason="typed twice")
    # by hand: two jobs done disturbed 12, of which 3 broke
    assert learnt().breakage == {clip.pk: (3.0, 9.0)}
    used(jobs[1], "Clip", pieces=20, broken=True)  # more than were there: then all broke
    assert learnt().breakage == {clip.pk: (23.0, 0.0)}


# --- by the km ---------------------------------------------------------------------------------
def test_use_per_km_goes_from_what_is_stated_to_what_is_recorded() -> None:
    fluid = shelf.item("exhaust-fluid", product=shelf.product("exhaust-fluid", ""))
    van, other = scene.van(), scene.van("V-2")
    PerKmUse.objects.create(
        vehicle_type=van.vehicle_type, item=fluid, ml_per_1000_km=1500, source=INVENTED
    )
    assert learnt().per_km == {van.vehicle_type_id: {fluid.pk: pytest.approx(1.5)}}
    place = van.vehicle_type.compartments.create(
        slug="exhaust", kind="exhaust fluid", name="Exhaust fluid", source=INVENTED
    )
    for days_ago, ml, product in (
        (300, 20_000, fluid.product),
        (10, 20_000, None),
        (400, 9_999, None),
    ):
        TopUp.objects.create(
            vehicle=van,
            compartment=place,
            topped_up_at=MIDNIGHT - timedelta(days=days_ago),
            quantity_ml=ml,
            product=product,
            source=INVENTED,
            client_key=f"key-{next(keys)}",
        )
    for whose, days_ago, total in (
        (van, 400, 1_000),
        (van, 360, 2_000),
        (van, 0, 22_000),
        (other, 300, 0),
        (other, 0, 50_000),
    ):
        KmAt.objects.create(
            meter=whose.meters.get(), on=TODAY - timedelta(days=days_ago), total=total
        )
    # by hand: 40 L over 20,000 km of the vehicle that records, and 1.5 mL/km for 10,000 km
    assert learnt().per_km[van.vehicle_type_id][fluid.pk] == pytest.approx(55_000 / 30_000)
    # what is forecast by the km is not forecast a second time as top-ups
    recorded_for(365)
    assert learnt().events == {}


def test_of_an_item_without_a_product_only_the_compartment_tells() -> None:
    van, fluid = scene.van(), shelf.item("exhaust-fluid")
    other = Product.objects.create(pk=1, slug="other", name="Other", source=INVENTED)
    PerKmUse.objects.create(
        vehicle_type=van.vehicle_type, item=fluid, ml_per_1000_km=1500, source=INVENTED
    )
    TopUp.objects.create(
        vehicle=van,
        compartment=van.vehicle_type.compartments.get(slug="engine"),
        topped_up_at=MIDNIGHT - timedelta(days=9),
        quantity_ml=20_000,
        product=other,
        source=INVENTED,
        client_key="other",
    )
    assert learnt().per_km[van.vehicle_type_id][fluid.pk] == pytest.approx(1.5)


# --- what a class shares -----------------------------------------------------------------------
def month(back: int) -> date:
    return (np.datetime64(TODAY, "M") - back).astype("M8[D]").item()


def months_of(van: Vehicle, driven: list[float], *, mean_km: float = 1_000) -> None:
    """Forecasts of the past months, and what was driven in them, oldest first."""
    meter, total = van.meters.get(), 0.0
    for at, km in enumerate(driven):
        on = month(len(driven) - at)
        KmAt.objects.create(meter=meter, on=on, total=total)
        ClassMonth.objects.create(
            depot=van.depot,
            vehicle_type=van.vehicle_type,
            month_on=on,
            vehicles=1,
            mean_km=mean_km,
            var_km2=mean_km**2 / 100,
        )
        total += km
    KmAt.objects.create(meter=meter, on=month(0), total=total)
    KmAt.objects.create(meter=meter, on=month(0) + timedelta(days=5), total=total + 9_999)


@pytest.mark.parametrize("usual_km", [1, 1_000])
def test_what_a_class_shares_is_the_spread_of_its_months_beyond_chance(usual_km: int) -> None:
    van = scene.van()
    months_of(van, [usual_km * (1.25 if at % 2 else 0.8) for at in range(12)], mean_km=usual_km)
    # by hand: ln 1.25 = .22314 to either side; variance 12/11 of its square, less .01 of chance
    expected = (12 / 11 * np.log(1.25) ** 2 - 0.01) ** 0.5
    assert learnt().sigma_of(van.depot_id, van.vehicle_type_id) == pytest.approx(expected, rel=1e-6)


def test_a_class_that_grows_is_compared_by_the_vehicle() -> None:
    van, other = scene.van(), scene.van("V-2")
    driven = [1_000 * (1.25 if at % 2 else 0.8) for at in range(12)]
    months_of(van, driven)
    total = 0.0
    for at in range(6, 13):  # the other one drives just as much, from the seventh month on
        KmAt.objects.create(meter=other.meters.get(), on=month(12 - at), total=total)
        total += driven[at] if at < 12 else 0
    late = ClassMonth.objects.filter(month_on__gte=month(6))
    assert late.update(vehicles=2, mean_km=2_000, var_km2=40_000) == 6
    expected = (12 / 11 * np.log(1.25) ** 2 - 0.01) ** 0.5
    assert learnt().sigma_of(van.depot_id, van.vehicle_type_id) == pytest.approx(expected, rel=1e-6)


def test_km_of_two_months_in_one_are_left_out() -> None:
    van = scene.van()
    months_of(van, [1_000 * (1.25 if at % 2 else 0.8) for at in range(14)])
    KmAt.objects.filter(on=month(6)).delete()  # what was driven in the 8th month and in the 9th
    ClassMonth.objects.filter(month_on__in=[month(7), month(6)]).update(var_km2=1_000**2)
    expected = (12 / 11 * np.log(1.25) ** 2 - 0.01) ** 0.5  # twelve are left, six of each
    assert learnt().sigma_of(van.depot_id, van.vehicle_type_id) == pytest.approx(expected, rel=1e-6)


def test_a_month_is_held_against_its_own_forecast() -> None:
    van = scene.van()
    means = [1_000.0 * (1 + at) for at in range(12)]
    months_of(van, [mean * (1.25 if at % 2 else 0.8) for at, mean in enumerate(means)])
    for at, mean in enumerate(means):
        own = ClassMonth.objects.filter(month_on=month(12 - at))
        own.update(mean_km=mean, var_km2=mean**2 / 100)
    expected = (12 / 11 * np.log(1.25) ** 2 - 0.01) ** 0.5
    assert learnt().sigma_of(van.depot_id, van.vehicle_type_id) == pytest.approx(expected, rel=1e-6)


def test_a_year_of_months_is_needed_for_it() -> None:
    van = scene.van()
    months_of(van, [1_000 * (1.25 if at % 2 else 0.8) for at in range(11)])
    assert learnt().sigma_of(van.depot_id, van.vehicle_type_id) == USUAL_SIGMA


def test_months_without_a_forecast_or_without_km_teach_nothing_of_it() -> None:
    van = scene.van()
    months_of(van, [1_000 * (1.25 if at % 2 else 0.8) for at in range(12)])
    ClassMonth.objects.filter(month_on=month(3)).update(mean_km=0)
    assert learnt().sigma_of(van.depot_id, van.vehicle_type_id) == USUAL_SIGMA
