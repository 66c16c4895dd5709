from dataclasses import dataclass
from datetime import date

from fleet import chain
from fleet.due.models import Service
from fleet.people.actor import Actor
from fleet.people.models import Person, Role
from fleet.vehicles.models import Vehicle
from fleet.workorders import issue, progress
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import Fastener, Job, Procedure, WorkOrder
from tests import scene
from tests.cast import person
from tests.kept import kept
from tests.scene import INVENTED, NOW


@dataclass(frozen=True)
class Bay:
    """A van with an overdue gearbox service, and the people around it."""

    van: Vehicle
    oil: Service
    supervisor: Person
    second_supervisor: Person
    mechanic: Person
    viewer: Person
    outsider: Person

    def actor(self, who: Person | None = None) -> Actor:
        return Actor(person=who or self.supervisor, channel="test", now=NOW)

    def order(self) -> WorkOrder:
        return issue.draft(
            self.actor(), OrderDraft(vehicle_id=self.van.pk, service_ids=[self.oil.pk])
        )


@kept
def bay() -> Bay:
    here = scene.depot()
    oil = scene.service(km=20_000, months=24)
    van = scene.van()
    scene.done(van, oil, date(2025, 11, 1), 1_000)
    scene.readings(van, scene.steady(10_000, 700, 20))
    chain.refresh([van.pk], NOW)
    return Bay(
        van=van,
        oil=oil,
        supervisor=person("Sura", Role.SUPERVISOR, here),
        second_supervisor=person("Sol", Role.SUPERVISOR, here),
        mechanic=person("Mika", Role.MECHANIC, here),
        viewer=person("Vito", Role.VIEWER, here),
        outsider=person("Otto", Role.SUPERVISOR, scene.depot("far")),
    )


DRAIN_PLUG_NM = 39.31872  # worked example, common practice, no source: 29 lbf·ft


@kept
def job(bay: Bay) -> Job:
    procedure = Procedure.objects.create(
        service=bay.oil,
        family="level plug",
        edition="2024",
        source=INVENTED,
        minutes=40,
        refill_l=1.5,
    )
    Fastener.objects.create(
        procedure=procedure,
        slug="drain-plug",
        name="Drain plug",
        torque_nm=DRAIN_PLUG_NM,
        stated_unit="lbf·ft",
        seal="sealing washer",
        source=INVENTED,
    )
    order = bay.order()
    progress.release(bay.actor(), order.pk)
    progress.start(bay.actor(bay.mechanic), order.pk)
    return order.jobs.get()
