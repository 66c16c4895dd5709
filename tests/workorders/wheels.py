"""A van whose gearbox service takes the wheels off, with rules for looking again; all invented."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from fleet import chain
from fleet.due.models import DueDate, Service
from fleet.people.actor import Actor
from fleet.vehicles.models import VehicleType
from fleet.workorders import confirming, ending, issue, progress
from fleet.workorders.confirming import Confirmed, PointSeen
from fleet.workorders.ending import AtFinish
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import Job, Procedure, ReCheckRule, Step, WorkOrder
from tests.scene import INVENTED, NOW
from tests.workorders.conftest import Bay

WHEELS = ["front left", "front right", "rear left", "rear right"]
LAST_KM = 23_300.0  # of the bay's van: 10,000 and nineteen weeks of 700 km


@dataclass(frozen=True)
class Workshop:
    """The bay with its rules, and a short way through an order."""

    bay: Bay
    procedure: Procedure

    def at(self, **later: float) -> Actor:
        return replace(self.bay.actor(self.bay.mechanic), now=NOW + timedelta(**later))

    def rule(self, slug: str = "wheels", **given: object) -> ReCheckRule:
        told = {
            "text": "Wheel nuts tightened again",
            "points": [ReCheckRule.EACH_WHEEL],
            "to_km": 80.0,
            "safety": True,
            "applies": "wheels removed",
            "source": INVENTED,
        }
        service = Service.objects.create(
            vehicle_type=self.bay.oil.vehicle_type,
            compartment=self.bay.oil.compartment,
            slug=f"again-{slug}",
            name=f"Again: {slug}",
            kind="check",
            source=INVENTED,
        )
        return ReCheckRule.objects.create(
            procedure=self.procedure, slug=slug, service=service, **(told | given)
        )

    def hold(self, **given: object) -> Step:
        told = {"number": 1, "kind": "firm pedal", "text": "Pedal firm.", "moving_hold": True}
        return Step.objects.create(procedure=self.procedure, **(told | given))

    def started(self, service: Service | None = None, at: Actor | None = None) -> Job:
        actor = at or self.at()
        order = issue.draft(
            self.bay.actor(),
            OrderDraft(
                vehicle_id=self.bay.van.pk,
                service_ids=[(service or self.bay.oil).pk],
                join_early=False,
            ),
        )
        progress.release(self.bay.actor(), order.pk)
        return self.begun(order, actor)

    def begun(self, order: WorkOrder, actor: Actor) -> Job:
        progress.start(actor, order.pk)
        return order.jobs.get()

    def ended(self, job: Job, actor: Actor, state: str = "done", **why: str) -> Job:
        if state == "done":
            why = {"because": "not tried here", **why}
        return progress.end_job(actor, job.pk, state=state, **why)

    def finished(
        self, job: Job, km: float = LAST_KM, actor: Actor | None = None, fit: str = "yes"
    ) -> ending.Finished:
        told = ending.finish(
            actor or self.at(), job.order_id, AtFinish(odometer=km, fit_for_use=fit)
        )
        self.refresh((actor or self.at()).now)
        return told

    def changed(self, km: float = LAST_KM, **later: float) -> ending.Finished:
        """The gearbox service from start to finish, at one instant."""
        actor = self.at(**later)
        return self.finished(self.ended(self.started(at=actor), actor), km, actor)

    def again(self, rule: ReCheckRule, **later: float) -> Job:
        """The job of a re-check, begun: the program's order where there is one."""
        actor = self.at(**later)
        job = Job.objects.filter(service=rule.service, state="open").first()
        return self.started(rule.service, actor) if job is None else self.begun(job.order, actor)

    def confirmed(self, job: Job, key: str, actor: Actor, **told: object) -> Confirmed:
        given = {"seen": True} | told
        return confirming.confirm(actor, job.pk, PointSeen(client_key=f"phone-1-{key}", **given))

    def refresh(self, now: datetime = NOW) -> None:
        chain.refresh([self.bay.van.pk], now)

    def due(self, rule: ReCheckRule) -> DueDate | None:
        return DueDate.objects.filter(vehicle=self.bay.van, service=rule.service).first()


def workshop(bay: Bay) -> Workshop:
    VehicleType.objects.update(wheel_positions=WHEELS)
    procedure = Procedure.objects.create(
        service=bay.oil,
        family="other",
        edition="2024",
        source=INVENTED,
        minutes=40,
        wheels_removed=True,
    )
    return Workshop(bay, procedure)


def called(shop: Workshop) -> ReCheckRule:
    """The usual rule, and its call by a gearbox service from start to finish."""
    rule = shop.rule()
    shop.changed()
    return rule
