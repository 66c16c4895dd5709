"""Measured values that failed and whose answer nobody has given yet.

A failed value calls for a change, or raises a finding where no change puts it right. It is
answered once an order has that change or follows that finding, the change was done, the finding
was closed, or the value taken back.
"""

from django.db.models import Exists, OuterRef, QuerySet

from fleet.due import calls
from fleet.due.models import CheckResult, DueEarlier
from fleet.prepared import Fixed
from fleet.reads import Ids, Read, Rows, prepared, reader
from fleet.vehicles.find import Depots
from fleet.vehicles.models import Vehicle
from fleet.workorders.models import Finding, Job, WorkOrder
from fleet.workorders.progress import BEFORE_THE_END

SOLD = Vehicle.Status.SOLD


def unanswered(depots: Depots | Ids) -> QuerySet[CheckResult]:
    """Those of vehicles of some depots, the oldest first."""
    rows = _unanswered().filter(vehicle__depot__in=depots).exclude(vehicle__status=SOLD)
    beside = ("vehicle__depot", "figure__service", "figure__calls_for", "person")
    return rows.select_related(*beside).order_by("measured_at", "pk")


@prepared
def first_unanswered(depot_ids: Ids, most: Fixed) -> Rows:
    """The first of them, of some depots by their ids."""
    return unanswered(depot_ids)[: most.value]


@reader
def unanswered_of(vehicle: Vehicle) -> Read[set[int]]:
    """Ids of those of one vehicle."""
    found = _ids_of(vehicle.pk)
    yield [found]
    return set(found)


@prepared
def _ids_of(vehicle_id: int) -> Rows:
    return _unanswered().filter(vehicle=vehicle_id).values_list("pk", flat=True)


def _unanswered() -> QuerySet[CheckResult]:
    asks = Exists(_called()) | Exists(_found())
    return CheckResult.objects.filter(asks, outcome=CheckResult.Outcome.FAIL, withdrawn_by=None)


def _called() -> QuerySet[DueEarlier]:
    """Changes that values call for and no order has."""
    ordered = Job.objects.filter(
        vehicle=OuterRef("vehicle"), service=OuterRef("service"), state=Job.State.OPEN
    )
    return calls.standing().filter(~Exists(ordered), result=OuterRef("pk"))


def _found() -> QuerySet[Finding]:
    """Open findings that values raised and no order follows."""
    following = WorkOrder.objects.filter(follows=OuterRef("pk"), state__in=BEFORE_THE_END)
    open_ones = Finding.objects.filter(withdrawn_by=None, closed_at=None)
    return open_ones.filter(~Exists(following), result=OuterRef("pk"))
