"""The cast with work to do: a procedure for the engine oil, and an order for the first van."""

from dataclasses import dataclass
from datetime import timedelta

from django.utils import timezone

from fleet.due.models import Service
from fleet.people.actor import Actor
from fleet.people.models import Person, Role
from fleet.stores.models import AcceptedFluid, Product, ProductClaim, Specification
from fleet.vehicles.models import Vehicle
from fleet.workorders import ending, issue, progress
from fleet.workorders.ending import AtFinish
from fleet.workorders.findings import Report
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import Job, Material, Procedure, Tool, WorkOrder, Wrench
from tests.cast import Cast, depots_day, person
from tests.workorders.gearbox_procedure import ProcedureRows

INVENTED = "invented for the tests"


@dataclass(frozen=True)
class Workshop:
    people: Cast
    oil: Service
    order: WorkOrder  # released for today, nobody's yet
    second_supervisor: Person

    @property
    def job(self) -> Job:
        return self.order.jobs.get()

    @property
    def page(self) -> str:
        return f"/work-orders/{self.order.number}"

    def actor(self, who: Person) -> Actor:
        return Actor(who, "page", timezone.now())

    def start(self) -> WorkOrder:
        return progress.start(self.actor(self.people.mechanic), self.order.pk)

    def now(self) -> WorkOrder:
        return WorkOrder.objects.get(pk=self.order.pk)


def open_workshop(people: Cast) -> Workshop:
    oil = Service.objects.get(slug="engine-oil")
    procedure(oil)
    fluids(oil)
    Wrench.objects.create(
        depot=people.plain,
        tag="TW-3",
        calibrated_until_on=depots_day() + timedelta(days=90),
    )
    return Workshop(
        people,
        oil,
        released(people, people.van, oil),
        person("Sol", Role.SUPERVISOR, people.plain),
    )


def released(people: Cast, van: Vehicle, service: Service) -> WorkOrder:
    """An order of the supervisor, for today."""
    actor = Actor(people.supervisor, "page", timezone.now())
    today = depots_day()
    order = issue.draft(
        actor, OrderDraft(vehicle_id=van.pk, service_ids=[service.pk], planned_on=today)
    )
    return progress.release(actor, order.pk)


def in_words(shop: Workshop) -> Job:
    """A started order with one job in words, on no compartment."""
    progress.cancel(shop.actor(shop.people.supervisor), shop.order.pk, reason="another")
    order = issue.draft(
        shop.actor(shop.people.supervisor),
        OrderDraft(vehicle_id=shop.people.van.pk, other_work=[("Refit the cover", 20)]),
    )
    progress.release(shop.actor(shop.people.supervisor), order.pk)
    progress.start(shop.actor(shop.people.mechanic), order.pk)
    return order.jobs.get()


def finish(shop: Workshop) -> None:
    """The mechanic does the order, up to the odometer."""
    actor = shop.actor(shop.people.mechanic)
    shop.start()
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    ending.finish(actor, shop.order.pk, AtFinish(odometer=10_700, fit_for_use="yes"))


def rain_water(van: Vehicle) -> Report:
    """A leak that was none."""
    return Report(
        vehicle=van,
        kind="leak",
        severity="before use",
        text="oil below",
        client_key="was-rain-water",
    )


def procedure(oil: Service) -> Procedure:
    written = ProcedureRows()
    made = Procedure.objects.create(
        service=oil,
        family="level plug",
        edition="2024",
        source=INVENTED,
        minutes=40,
        refill_l=1.5,
        used_fluid_class="used oil",
    )
    for row in (*written.steps, *written.fasteners, *written.materials):
        row.procedure = made
        row.save()
    for caution in written.cautions:
        caution.save()
    Tool.objects.create(procedure=made, name="Hexagon key", size="17 mm")
    Material.objects.create(
        procedure=made,
        kind="fluid",
        name="Gear oil",
        quantity_ml=1500,
        container_ml=1000,
        source=INVENTED,
    )
    return made


def fluids(oil: Service) -> None:
    """One product that the compartment accepts, and one that it does not."""
    wanted = Specification.objects.create(slug="gear", name="Gear oil class", source=INVENTED)
    AcceptedFluid.objects.create(compartment=oil.compartment, specification=wanted, source=INVENTED)
    right = Product.objects.create(slug="right", name="Right oil", source=INVENTED)
    Product.objects.create(slug="wrong", name="Wrong oil", source=INVENTED)
    ProductClaim.objects.create(product=right, specification=wanted, source=INVENTED)
