"""Work orders of the demo in every state, made by the same verbs as everybody's.

What happened stands in ``fixtures/work-orders.csv``, ``findings.csv``, ``outside-work.csv`` and
``deferrals.csv``. What is recorded on the way (torque, litres, batches) follows the procedure of
each job, with a fixed seed. Each row is made once: run again it is found and left alone.
"""

import uuid
from collections.abc import Mapping, Sequence
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.db import transaction

from fleet import chain
from fleet.demo.bench import FILL_ONLY, Bench
from fleet.demo.drive import Drive, chance, open_on
from fleet.demo.fixtures import Line, lines, words
from fleet.due.defer import defer, is_beyond_tolerance
from fleet.due.models import Deferral, DueDate, Service
from fleet.due.rules import gather_depots
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.today import NO_DEPOT, today_at
from fleet.vehicles.models import Compartment, Vehicle
from fleet.workorders import (
    ending,
    findings,
    in_stock,
    issue,
    outside,
    progress,
    recording,
)
from fleet.workorders.ending import AtFinish
from fleet.workorders.findings import Report
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import Finding, Job, OrderEvent, WorkOrder
from fleet.workorders.outside import InvoicedWork

State = WorkOrder.State
FAR = (
    State.DRAFTED,
    State.RELEASED,
    State.STARTED,
    State.WAITING,
    State.FINISHED,
    State.SIGNED_OFF,
)
OPENS_AT = time(7, 30)
UNDER_WAY_MIN = 95  # how long ago today's work was begun
BACK_MIN = 15  # from its finish until the keys are handed back
BY_THE_BOOK = (0.8, 1.4)  # least and most that work takes of the book's minutes; invented
SHORTEST_MIN = 10  # with the way to the bay and back


def add_work(vans: Sequence[Drive], now: datetime, today: date) -> None:
    """Orders, findings, outside papers and deferrals of the demo; then the vehicles' new dates."""
    shop = Shop(vans, now, today)
    for line in lines("work-orders", today):
        with transaction.atomic():
            shop.order(line)
    for line in lines("outside-work", today):
        with transaction.atomic():
            shop.outside(line)
    for line in lines("findings", today):
        with transaction.atomic():
            shop.finding(line)
    for line in lines("deferrals", today):
        shop.deferral(line)
    chain.refresh([vehicle.pk for vehicle in shop.vehicles.values()], now)


def mark(line_key: str) -> uuid.UUID:
    """What the first event of a demo order is known by."""
    return uuid.uuid5(uuid.NAMESPACE_OID, f"demo work order {line_key}")


DEMO_SPENT_MIN = 20  # on what was not done after all; invented


class Shop:
    """The people and vehicles of the demo, and what they do on each line."""

    def __init__(self, vans: Sequence[Drive], now: datetime, today: date) -> None:
        self.now, self.today = now, today
        self.vans = {van.number: van for van in vans}
        self.people = {person.username: person for person in Person.objects.all()}
        self.supervisor = Person.objects.filter(role="supervisor").earliest("id")
        rows = Vehicle.objects.select_related("depot", "vehicle_type")
        self.vehicles = {row.fleet_number: row for row in rows}
        self.depots = gather_depots()
        self.fluids = _fluids(today)
        self._services: dict[tuple[int, str], Service] = {}  # as they were asked for

    def actor(self, who: Person, at: datetime, request_id: uuid.UUID | None = None) -> Actor:
        more = {} if request_id is None else {"request_id": request_id}
        return Actor(who, "page", self.now, performed_at=min(at, self.now), **more)

    def services(self, vehicle: Vehicle, slugs: Sequence[str]) -> list[Service]:
        return [self._service(vehicle, slug) for slug in slugs]

    def _service(self, vehicle: Vehicle, slug: str) -> Service:
        key = vehicle.vehicle_type_id, slug
        if key not in self._services:
            self._services[key] = vehicle.vehicle_type.services.get(slug=slug)
        return self._services[key]

    def begun(self, vehicle: Vehicle, day: date) -> datetime:
        """When work of a day began: in the morning of an open day, and of today some time ago."""
        zone = ZoneInfo(vehicle.depot.zone)
        last = self.open_on(vehicle, min(day, self.today), ahead=False)
        if last < self.today:
            return datetime.combine(last, OPENS_AT, zone)
        return self.now - timedelta(minutes=UNDER_WAY_MIN)

    def open_on(self, vehicle: Vehicle, day: date, *, ahead: bool) -> date:
        """The same day, or the next (else the last) on which the vehicle's workshop is open."""
        return open_on(day, self.depots.working[vehicle.depot_id].calendar(), ahead=ahead)

    # --- orders ------------------------------------------------------------------------------
    def vehicle(self, number: str) -> Vehicle:
        """A vehicle as it stands: one may have come since, or moved."""
        if number not in self.vehicles or self.vehicles[number].depot.slug != self._depot(number):
            rows = Vehicle.objects.select_related("depot", "vehicle_type")
            self.vehicles[number] = rows.get(fleet_number=number)
        return self.vehicles[number]

    def order(self, line: Line) -> WorkOrder | None:
        """Draft an order and take it as far as the line says; None where that was done before."""
        if OrderEvent.objects.filter(request_id=mark(line["Order"])).exists():
            return None
        vehicle, day = self.vehicle(line["Vehicle"]), date.fromisoformat(line["Day"])
        begun = self.begun(vehicle, day)
        order = issue.draft(
            self.actor(self.supervisor, begun - timedelta(days=2), mark(line["Order"])),
            OrderDraft(
                vehicle_id=vehicle.pk,
                service_ids=[row.pk for row in self.services(vehicle, words(line, "Services"))],
                planned_on=self.open_on(vehicle, day, ahead=_is_ahead(line, day, self.today)),
                assigned_to=self.people[line["Mechanic"]],
                raising=line["Raised by"],
                join_early=False,
            ),
        )
        self.carry_on(order, line, begun)
        return order

    def _depot(self, number: str) -> str:
        return self.vans[number].depot_at(today_at(NO_DEPOT, self.now))

    def carry_on(self, order: WorkOrder, line: Line, begun: datetime) -> None:
        """Take an order as far as the line says."""
        boss, mechanic = self.supervisor, self.people[line["Mechanic"]]
        if line["State"] == State.CANCELLED:
            when = self.actor(boss, begun - timedelta(days=1))
            progress.cancel(when, order.pk, reason=line["Note"])
            return
        far = FAR.index(State(line["State"]))
        if far >= FAR.index(State.RELEASED):
            progress.release(self.actor(boss, begun - timedelta(days=1)), order.pk)
        if far >= FAR.index(State.STARTED):
            progress.start(self.actor(mechanic, begun), order.pk)
            lasted = timedelta(minutes=_lasted_min(order, begun))
            self._record(order, line, begun + lasted / 2, whole=far >= FAR.index(State.FINISHED))
        if line["State"] == State.WAITING:
            when = self.actor(mechanic, begun + timedelta(minutes=40))
            progress.wait(
                when, order.pk, waiting_for=in_stock.waits_for(order) or line["Waiting for"]
            )
        if far >= FAR.index(State.FINISHED):
            self._finish(order, line, begun + lasted)
        if line["State"] == State.SIGNED_OFF:
            ending.sign_off(self.actor(boss, begun + timedelta(days=1)), order.pk)

    def _finish(self, order: WorkOrder, line: Line, at: datetime) -> None:
        van, mechanic = self.vans[line["Vehicle"]], self.people[line["Mechanic"]]
        local = at.astimezone(ZoneInfo(order.depot.zone))
        share = (local.hour * 60 + local.minute) / (24 * 60)
        shown = van.shown(local.date(), share)
        ending.finish(
            self.actor(mechanic, at),
            order.pk,
            AtFinish(
                odometer=round(shown),
                unit=van.van["Odometer shows"],
                engine_hours=van.hours_at(local.date(), share),
                fit_for_use=line["Fit for use"],
                restriction=line["Restriction"],
                because=_why_fit(line),
            ),
        )
        ending.hand_back(self.actor(mechanic, at + timedelta(minutes=BACK_MIN)), order.pk)

    # --- records -----------------------------------------------------------------------------
    def _record(self, order: WorkOrder, line: Line, when: datetime, *, whole: bool) -> None:
        at = self.actor(self.people[line["Mechanic"]], when)
        key = f"demo-{line['Order']}"
        if line.get("Topped up"):
            first = order.jobs.earliest("pk")
            Bench(self.fluids, at, first, f"{key}-{first.pk}").top_up(float(line["Topped up"]))
        beside = ("service__compartment", "service__procedure", "service__vehicle_type")
        for job in order.jobs.select_related(*beside).order_by("pk"):
            if line["Job end"] == Job.State.DONE and job.service_id is not None:
                Bench(self.fluids, at, job, f"{key}-{job.pk}").work(line, whole=whole)
            elif line["Filled with"]:
                Bench(self.fluids, at, job, f"{key}-{job.pk}").fill(
                    line["Filled with"], "it was really poured in"
                )
            if whole:
                progress.end_job(
                    at,
                    job.pk,
                    state=line["Job end"],
                    reason=line["Reason"],
                    reason_text=line["Reason text"],
                    spent_min=None if line["Job end"] == Job.State.DONE else DEMO_SPENT_MIN,
                    because=NOT_TYPED if line["Job end"] == Job.State.DONE else "",
                )
        if line["Note"]:
            recording.note(at, order.pk, text=line["Note"], client_key=f"{key}-note")

    # --- what goes beyond orders -------------------------------------------------------------
    def outside(self, line: Line) -> None:
        if WorkOrder.objects.filter(invoice_number=line["Invoice"]).exists():
            return
        vehicle, day = self.vehicles[line["Vehicle"]], date.fromisoformat(line["Done on"])
        outside.record(
            self.actor(self.supervisor, self.now),
            InvoicedWork(
                vehicle=vehicle,
                services=self.services(vehicle, words(line, "Services")),
                done_on=day,
                odometer_km=round(self.vans[line["Vehicle"]].at(day)),
                total_h=self.vans[line["Vehicle"]].hours_at(day),
                workshop_name=line["Workshop"],
                invoice_number=line["Invoice"],
                cost_minor=int(line["Cost [minor units]"]),
            ),
        )

    def finding(self, line: Line) -> None:
        vehicle = self.vehicles[line["Vehicle"]]
        began = self.begun(vehicle, date.fromisoformat(line["On"]))
        event = OrderEvent.objects.filter(request_id=mark(line["Order"])).first()
        found = findings.report(
            self.actor(self.people[line["Reported by"]], began + timedelta(minutes=30)),
            Report(
                vehicle=vehicle,
                kind=line["Kind"],
                severity=line["Severity"],
                text=line["Text"],
                client_key=f"demo-finding-{line['Finding']}",
                compartment=_compartment(vehicle, line["Compartment"]),
                order=event.order if event else None,
                found_by=line["Found by"],
            ),
        )
        if line["Follow-up"] and not found.follow_ups.exists():
            self._follow_up(found, line, vehicle)

    def _follow_up(self, found: Finding, line: Line, vehicle: Vehicle) -> None:
        planned_on = date.fromisoformat(line["Planned on"])
        findings.follow_up(
            self.actor(self.supervisor, found.performed_at + timedelta(hours=3)),
            found.pk,
            what=line["Follow-up"],
            minutes=20,
            service_ids=[
                row.pk for row in self.services(vehicle, words(line, "Follow-up service"))
            ],
            planned_on=self.open_on(vehicle, planned_on, ahead=planned_on >= self.today),
        )

    def deferral(self, line: Line) -> None:
        vehicle = self.vehicles[line["Vehicle"]]
        (service,) = self.services(vehicle, [line["Service"]])
        if not Deferral.objects.filter(vehicle=vehicle, service=service).exists():
            self.put_off(vehicle, service, date.fromisoformat(line["Until"]), line["Reason"])

    def put_off(self, vehicle: Vehicle, service: Service, until_on: date, reason: str) -> None:
        """Where one person may defer its date so far; else it comes late without."""
        known = DueDate.objects.filter(vehicle=vehicle, service=service, history_known=True)
        if known.exists() and not is_beyond_tolerance(vehicle, service, until_on):
            defer(
                vehicle=vehicle,
                service=service,
                person=self.supervisor,
                reason=reason,
                until_on=until_on,
            )


def _is_ahead(line: Line, day: date, today: date) -> bool:
    """Whether an order is still to be begun: where today is closed, on the next open day."""
    begun = State(line["State"]) not in (State.DRAFTED, State.RELEASED, State.CANCELLED)
    return day >= today and not begun


def _lasted_min(order: WorkOrder, begun: datetime) -> int:
    """Minutes from beginning to finish: by the book, more or less, and in fives."""
    of_book = sum(order.jobs.exclude(state=Job.State.DROPPED).values_list("minutes", flat=True))
    rng = chance(order.vehicle.fleet_number, 9_000 + begun.toordinal())
    return max(SHORTEST_MIN, 5 * round(of_book * rng.uniform(*BY_THE_BOOK) / 5))


def _why_fit(line: Line) -> str:
    """Why it is finished as it is, where that will be asked."""
    if line.get("Recorded") == FILL_ONLY:
        return NOT_TYPED
    return CALLED_FIT if line["Fit for use"] == WorkOrder.Fit.YES else ""


CALLED_FIT = "invented for the demo: the change that the check called for is planned"
NOT_TYPED = "invented for the demo: noted on the printed card, not typed"


def _fluids(today: date) -> Mapping[str, str]:
    """Kind of compartment to the product it is filled with."""
    rows = lines("products", today)
    return {kind: row["Product"] for row in rows for kind in words(row, "Filled into")}


def _compartment(vehicle: Vehicle, slug: str) -> Compartment:
    found: Compartment = vehicle.vehicle_type.compartments.get(slug=slug)
    return found
