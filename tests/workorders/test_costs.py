"""Cost per 1,000 km from records, worked by hand."""

from datetime import UTC, date, datetime

import pytest

from fleet.calc.costs import Cost
from fleet.due.models import DueDate, Service
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.stores import ledger
from fleet.stores.ledger import Receipt
from fleet.vehicles.models import Vehicle
from fleet.workorders import outside, progress
from fleet.workorders.costs import costs, names_by, without_order, years
from fleet.workorders.models import Job, LabourRate, WorkOrder
from fleet.workorders.outside import InvoicedWork
from tests import scene
from tests.kept import kept
from tests.scene import NOW
from tests.workorders.test_booking import Shop, shop

__all__ = ["shop"]
SPAN = {"from_on": date(2026, 1, 1), "until_on": date(2026, 12, 31)}


def cost(by: str) -> dict[str, Cost]:
    return {line.name: line.cost for line in costs([scene.depot().pk], by=by, **SPAN)}


@kept
def priced(shop: Shop) -> Shop:
    """10.00 a litre of oil, .50 a washer, 60.00 an hour."""
    program = Actor(None, "test", NOW)
    place = {"depot": scene.depot()}
    ledger.receive(program, Receipt(**place, item=shop.oil, quantity=5000, price_minor=5_000))
    ledger.receive(program, Receipt(**place, item=shop.washer, quantity=10, price_minor=500))
    LabourRate.objects.create(
        depot=scene.depot(), rate_minor_per_h=6_000, source="invented for the tests"
    )
    return shop


@pytest.mark.usefixtures("priced")
def test_groups_are_called_by_their_names() -> None:
    depot = scene.depot()
    assert names_by("depot")[depot.slug] == depot.name
    assert dict(Service.objects.values_list("slug", "name")) == names_by("service") != {}
    assert names_by("vehicle") == {}


@pytest.mark.parametrize("by", ["vehicle", "service", "depot", "class"])
def test_materials_and_labour_are_held_against_the_km(priced: Shop, by: str) -> None:
    priced.finish()
    (found,) = cost(by).values()
    # by hand: 1.5 L and two washers are 15.00 + 1.00; 40 min are 40.00;
    # first and last accepted reading: 10,000 and 23,350 km
    assert (found.materials_minor, found.labour_minor, found.outside_minor) == (1_600, 4_000, 0)
    assert found.km == 13_350
    assert found.per_1000_km_minor == 419  # 56.00 / 13.35 = 4.1948
    assert found.missing == ()


def test_a_job_is_of_the_class_that_its_service_has_on_that_vehicle(priced: Shop) -> None:
    priced.finish()
    DueDate.objects.all().delete()
    assert cost("class").keys() == {"not known"}  # nothing says when anything falls due
    row = {"vehicle": priced.bay.van, "depot": scene.depot(), "sort_on": NOW.date()}
    row |= {"history_known": True, "binding_limit": "km", "inputs_hash": 0}
    DueDate.objects.create(**row, service=priced.bay.oil, duty_class="normal")
    assert cost("class").keys() == {"normal"}
    other = Service.objects.create(
        vehicle_type=priced.bay.oil.vehicle_type,
        compartment=priced.bay.oil.compartment,
        slug="other",
        name="Other",
        kind="change",
        source="invented",
    )
    DueDate.objects.create(**row, service=other, duty_class="severe")
    (found,) = cost("class").items()  # the job stays what it was; none was done in severe duty
    assert (found[0], found[1].total_minor, found[1].km) == ("normal", 5_600, 13_350)
    DueDate.objects.filter(service=priced.bay.oil).update(duty_class="severe")
    assert cost("class").keys() == {"severe"}


def test_a_duty_class_says_how_many_vehicles_are_in_it(priced: Shop) -> None:
    priced.finish()
    DueDate.objects.all().delete()
    for number in ("V-8", "V-9"):  # nothing says when anything of theirs falls due, either
        scene.van(number)
    row = {"depot": scene.depot(), "sort_on": NOW.date(), "service": priced.bay.oil}
    row |= {"history_known": True, "binding_limit": "km", "inputs_hash": 0}
    DueDate.objects.create(**row, vehicle=priced.bay.van, duty_class="severe")
    (line,) = costs([scene.depot().pk], by="class", **SPAN)
    every = Vehicle.objects.filter(depot=scene.depot()).count()
    assert (line.name, line.vehicles, line.of_all) == ("severe", 1, every)
    assert every >= 3
    (other,) = costs([scene.depot().pk], by="vehicle", **SPAN)
    assert (other.vehicles, other.of_all) == (0, 0)


def test_what_is_missing_is_said(shop: Shop) -> None:
    shop.finish()
    (found,) = cost("depot").values()
    assert found.missing == (
        "material without a price (1 job)",
        "no labour rate at plain (1 job)",
    )


def test_an_invoice_of_outside_work_counts(priced: Shop) -> None:
    papers = {"workshop_name": "An invented workshop", "invoice_number": "I-1"}
    outside.record(
        priced.bay.actor(),
        InvoicedWork(
            vehicle=priced.bay.van,
            services=[priced.bay.oil],
            done_on=NOW.date(),
            odometer_km=23_300,
            cost_minor=12_345,
            **papers,
        ),
    )
    assert cost("service")["gearbox-oil"].outside_minor == 12_345


def test_services_without_an_order_are_counted(priced: Shop) -> None:
    before = without_order([scene.depot().pk], **SPAN)
    scene.done(priced.bay.van, priced.bay.oil, date(2026, 2, 1), 12_000)
    priced.finish()
    assert without_order([scene.depot().pk], **SPAN) == before + 1


def test_a_correction_takes_its_cost_back(priced: Shop) -> None:
    from fleet.workorders import ending

    priced.finish()
    ending.correct(priced.bay.actor(), priced.order.pk, reason="wrong odometer")
    assert cost("vehicle") == {}


@pytest.mark.parametrize("state", ["part done", "not done"])
def test_what_was_not_done_costs_the_minutes_spent_on_it(priced: Shop, state: str) -> None:
    progress.end_job(
        priced.mechanic, priced.job.pk, state=state, reason="plug seized", spent_min=25
    )
    priced.finish()
    (found,) = cost("depot").values()
    # by hand: 25 of the book's 40 minutes at 60.00 an hour
    assert (found.labour_minor, found.missing) == (2_500, ())


def test_minutes_that_nobody_said_are_missing_and_none_spent_are_none(priced: Shop) -> None:
    priced.finish("not done", "plug seized")
    (found,) = cost("depot").values()
    assert (found.labour_minor, found.missing) == (0, ("no labour minutes (1 job)",))
    Job.objects.update(spent_min=0)
    (found,) = cost("depot").values()
    assert (found.labour_minor, found.missing) == (0, ())


@pytest.mark.parametrize(
    ("state", "spent_min"), [("done", 25), ("not done", -1), ("not done", 6_001)]
)
def test_minutes_that_cannot_be_are_refused(shop: Shop, state: str, spent_min: int) -> None:
    reason = "" if state == "done" else "plug seized"
    with pytest.raises(Fault, match="Minutes spent"):
        progress.end_job(
            shop.mechanic, shop.job.pk, state=state, reason=reason, spent_min=spent_min
        )


def test_years_go_back_to_the_first_work_that_was_finished(priced: Shop) -> None:
    depots, today = [scene.depot().pk], date(2026, 11, 30)
    this = (date(2025, 11, 30), today)  # 365 days before, both days counted
    assert years(depots, today) == [this]
    priced.finish()
    finished = WorkOrder.objects.filter(depot=scene.depot())
    begins = {  # the depot's days are those of UTC
        datetime(2025, 11, 30, tzinfo=UTC): 1,
        datetime(2025, 11, 29, 23, 59, tzinfo=UTC): 2,
        datetime(2024, 11, 29, tzinfo=UTC): 2,
        datetime(2024, 11, 28, 23, 59, tzinfo=UTC): 3,
        datetime(1990, 1, 1, tzinfo=UTC): 10,  # no more are offered
    }
    for at, many in begins.items():
        finished.update(finished_at=at)
        assert len(years(depots, today)) == many
    assert years(depots, today)[1] == (date(2024, 11, 29), date(2025, 11, 29))
    finished.update(state=WorkOrder.State.RELEASED)
    assert years(depots, today) == [this]
