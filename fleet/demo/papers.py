"""Papers of the outside workshops that did the work before a depot had bays of its own."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime

from fleet.demo import trial
from fleet.demo.drive import chance
from fleet.demo.fixtures import lines
from fleet.demo.history import Records
from fleet.demo.orders import Shop
from fleet.demo.service_days import Visit
from fleet.due.models import Fill, Service
from fleet.due.record import record_fill
from fleet.faults import Fault, Question
from fleet.people.actor import Actor
from fleet.stores.models import Product
from fleet.vehicles.models import Vehicle
from fleet.workorders import ending, outside, papers
from fleet.workorders.models import WorkOrder
from fleet.workorders.outside import InvoicedWork

RATE_MINOR_PER_MIN, FLUID_MINOR_PER_L, SUNDRIES_MINOR = 155, 2_100, 900  # invented
SCANNED_D = 540  # older invoices lie in a folder only
UNSIGNED_D = 30  # the newest are still to be signed off
SOURCE = "invoice, invented for the demo"


class Papers:
    """Enters the invoices of visits, one for each."""

    def __init__(self, shop: Shop, records: Records) -> None:
        self.shop, self.records = shop, records
        self.workshops = {
            line["Depot"]: line["Before that"] for line in lines("workshops", records.today)
        }
        rows = Service.objects.select_related("compartment", "procedure", "vehicle_type")
        self.services = {(row.vehicle_type_id, row.slug): row for row in rows}
        self.products = {row.slug: row for row in Product.objects.all()}
        self.number = 1_000
        self.stack: list[tuple[Visit, int]] = []

    def take(self, visit: Visit) -> None:
        """Lay the invoice of a visit on the stack."""
        self.number += 1
        self.stack.append((visit, self.number))

    def enter(self, now: datetime) -> None:
        """Enter what lies on the stack, and sign off what is old enough."""
        if not self.stack:
            return
        supervisor = Actor(self.shop.supervisor, "page", now)
        given = [(visit, self._work(visit, number)) for visit, number in self.stack]
        self.stack = []
        orders = _entered(supervisor, [work for _, work in given])
        old = (row.pk for row in orders if self._is_signed_off(row))
        ending.sign_off_many(supervisor, dict.fromkeys(old))
        for visit, work in given:
            for service in work.services:
                self._fill(visit, work.vehicle, service)

    def _is_signed_off(self, order: WorkOrder) -> bool:
        """Whether the work was so long ago that somebody has looked at it."""
        done_on = order.planned_on or self.records.today
        return (self.records.today - done_on).days > UNSIGNED_D

    def _work(self, visit: Visit, number: int) -> InvoicedWork:
        vehicle = self.shop.vehicle(visit.van.number)
        services = [self.services[vehicle.vehicle_type_id, slug] for slug in visit.services]
        invoice = f"{visit.day:%y%m}-{number}"
        return InvoicedWork(
            vehicle=vehicle,
            services=services,
            done_on=visit.day,
            odometer_km=round(visit.van.at(visit.day)),
            total_h=visit.van.hours_at(visit.day),
            workshop_name=self.workshops[vehicle.depot.slug],
            invoice_number=invoice,
            cost_minor=_price(services, visit.van.number, visit.day),
            document=self._document(visit, services, invoice),
        )

    def _document(self, visit: Visit, services: Sequence[Service], invoice: str) -> str:
        """The invoice itself, of the newer ones."""
        if (self.records.today - visit.day).days > SCANNED_D:
            return ""
        told = [
            f"Invoice {invoice} of {visit.day.isoformat()}, invented",
            f"Van {visit.van.number}",
            *[service.name for service in services],
        ]
        return papers.keep(page_of(told))

    def _fill(self, visit: Visit, vehicle: Vehicle, service: Service) -> None:
        """What the invoice says went in; of the trial's vans their group says it."""
        product = self.records.filled.get(service.compartment.kind)
        begun = trial.begun_by(visit.van, service.slug)
        of_trial = begun is not None and begun.is_its_change(visit.van, visit.day)
        if service.kind == Service.Kind.CHANGE and product and not of_trial:
            record_fill(
                Fill(
                    vehicle=vehicle,
                    compartment=service.compartment,
                    filled_on=visit.day,
                    product=self.products[product],
                    quantity_ml=round(1000 * (service.procedure.refill_l or 0)) or None,
                    source=SOURCE,
                )
            )


def _entered(actor: Actor, works: Sequence[InvoicedWork]) -> list[WorkOrder]:
    """The orders of papers; those that are asked about are given again, with a reason."""
    found = outside.record_many(actor, works)
    asked = [at for at, outcome in enumerate(found) if isinstance(outcome, Question)]
    again = [replace(works[at], override_reason="the invoice says so") for at in asked]
    found += outside.record_many(actor, again) if again else []
    for outcome in found:
        if isinstance(outcome, Fault) and not isinstance(outcome, Question):
            raise outcome
    return [outcome for outcome in found if isinstance(outcome, WorkOrder)]


def _price(services: list[Service], number: str, day: date) -> int:
    rng = chance(number, 5_000 + day.toordinal())
    minor = sum(
        service.procedure.minutes * RATE_MINOR_PER_MIN
        + (service.procedure.refill_l or 0) * FLUID_MINOR_PER_L
        + SUNDRIES_MINOR
        for service in services
    )
    return int(minor * rng.uniform(0.92, 1.1)) // 10 * 10


def page_of(lines: Sequence[str]) -> bytes:
    """A page with some lines of text, as PDF (ISO 32000-1, 7.5: body, cross-reference, trailer)."""
    shown = "".join(f"({_escaped(line)}) Tj T* " for line in lines)
    text = f"BT /F 12 Tf 16 TL 56 780 Td {shown}ET".encode("cp1252", "replace")
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 595 842] /Contents 4 0 R"
        b" /Resources << /Font << /F 5 0 R >> >> >>",
        b"<< /Length %d >>\nstream\n%b\nendstream" % (len(text), text),
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica /Encoding /WinAnsiEncoding >>",
    ]
    body, places = b"%PDF-1.4\n", []
    for number, one in enumerate(objects, 1):
        places.append(len(body))
        body += b"%d 0 obj\n%b\nendobj\n" % (number, one)
    table = b"".join(b"%010d 00000 n \n" % place for place in places)
    count = len(objects) + 1
    return (
        body
        + b"xref\n0 %d\n0000000000 65535 f \n%b" % (count, table)
        + b"trailer\n<< /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % (count, len(body))
    )


def _escaped(line: str) -> str:
    return line.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)")
