"""What the records of a job put into a vehicle's history: one fill, or top-ups."""

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from fleet.due.models import Fill, Service, TopUp
from fleet.due.record import record_top_ups, replace_fill, take_back_fill
from fleet.reads import Read, Rows, prepared, reader
from fleet.vehicles.models import Compartment
from fleet.workorders.models import FluidRecord, Job

Way = FluidRecord.Way


@dataclass(frozen=True)
class Totals:
    """What a job's records add up to in one compartment [mL]."""

    drained_ml: int
    filled_ml: int
    topped_up_ml: int

    @property
    def in_ml(self) -> int:
        return self.filled_ml + self.topped_up_ml


@reader
def records_of(job: Job, place: Compartment) -> Read[list[FluidRecord]]:
    """The fluid records of a job in a compartment that stand, oldest first."""
    rows = _in_place(job.pk, place.pk)
    yield [rows]
    return list(rows)


@prepared
def _in_place(job_id: int, compartment_id: int) -> Rows:
    rows = FluidRecord.objects.filter(job=job_id, compartment=compartment_id)
    rows = rows.filter(withdrawn_by=None, withdrawn_reason="")
    return rows.select_related("product").order_by("performed_at", "pk")


@reader
def totals(job: Job, place: Compartment) -> Read[Totals]:
    """Running totals of a job in a compartment."""
    found = dict.fromkeys(Way.values, 0)
    for row in (yield from records_of.steps(job, place)):
        found[row.way] += row.quantity_ml
    return Totals(found[Way.OUT], found[Way.IN], found[Way.TOP_UP])


def follow(job: Job, place: Compartment) -> None:
    """Bring the history in line with the records: run after each, and again, without harm.

    What was filled is one fill with the running total; what was topped up within a change that
    filled belongs to it, and is a top-up of its own otherwise.
    """
    rows = records_of(job, place)
    filled = [row for row in rows if row.way == Way.IN]
    topped_up = [row for row in rows if row.way == Way.TOP_UP]
    joined = [*filled, *topped_up] if filled and _changes(job, place) else filled
    _keep_fill(job, place, filled, joined)
    _keep_top_ups(job, place, [] if len(joined) > len(filled) else topped_up)


def _changes(job: Job, place: Compartment) -> bool:
    service = job.service
    return (
        service is not None
        and service.kind == Service.Kind.CHANGE
        and service.compartment_id == place.pk
    )


def fill_key(job_id: int, compartment_id: int) -> str:
    """Under which the one fill of a job in a compartment is kept."""
    return f"job-{job_id}-{compartment_id}"


def _keep_fill(
    job: Job, place: Compartment, filled: Sequence[FluidRecord], joined: Sequence[FluidRecord]
) -> None:
    key = fill_key(job.pk, place.pk)
    if not filled:
        take_back_fill(key)
        return
    last = filled[-1]
    others = {str(row.product) for row in joined if row.product and row.product != last.product}
    fill = Fill(
        vehicle=job.order.vehicle,
        compartment=place,
        filled_on=last.performed_at.astimezone(ZoneInfo(job.order.depot.zone)).date(),
        product=last.product,
        quantity_ml=sum(row.quantity_ml for row in joined),
        mixed_with=", ".join(sorted(others))[:120],
        source=f"work order {job.order}",
    )
    replace_fill(key, fill)


def _keep_top_ups(job: Job, place: Compartment, wanted: Sequence[FluidRecord]) -> None:
    keys = {row.client_key for row in wanted}
    recorded = job.fluids.filter(compartment=place, way=Way.TOP_UP).values("client_key")
    TopUp.objects.filter(client_key__in=recorded).exclude(client_key__in=keys).delete()
    record_top_ups(
        TopUp(
            vehicle=job.order.vehicle,
            compartment=place,
            topped_up_at=row.performed_at,
            quantity_ml=row.quantity_ml,
            source=f"work order {job.order}",
            client_key=row.client_key,
            product=row.product,
        )
        for row in wanted
    )
