"""Re-checks that get no order of their own: they are lines that join the vehicle's next order.

Otherwise every oil change would draft a second order. Only what can hurt is ordered at once, and
what a finding called for anew.
"""

from collections.abc import Iterable

from django.db.models import Q

from fleet.due.calls import standing
from fleet.due.models import DueDate
from fleet.reads import Ids, Read, Rows, prepared, reader
from fleet.workorders.due_soon import DueSoon
from fleet.workorders.models import ReCheckRule

URGENT = Q(called_by__rule__safety=True) | Q(
    called_by__rule__isnull=False, called_by__finding__isnull=False
)

FEW = 1_000  # ids that one query takes on any database
Lines = dict[tuple[int, int], float]


@reader
def lines(vehicle_ids: Iterable[int]) -> Read[Lines]:
    """Lines of some vehicles: by vehicle and service, the distance left from which it may be done
    [km]."""
    ids = set(vehicle_ids)
    rules, called = _every_rule(), _called(ids if len(ids) <= FEW else None)
    yield [rules, called]
    services = {rule.service_id: rule for rule in rules}
    found = sorted((vehicle, service) for vehicle, service, _ in called if vehicle in ids)
    own = {(vehicle, service) for vehicle, service, urgent in called if urgent}
    return {pair: _left_km(services[pair[1]]) for pair in found if pair not in own}


def _rules() -> Rows:
    return ReCheckRule.objects.filter(service__limits=None)


_every_rule = prepared(_rules)


@prepared
def _called(vehicle_ids: Ids | None) -> Rows:
    calls = standing(vehicle_ids).filter(called_by__rule__isnull=False)
    calls = calls.filter(service__in=_rules().order_by().values("service")).annotate(urgent=URGENT)
    return calls.values_list("vehicle_id", "service_id", "urgent")


def _left_km(rule: ReCheckRule) -> float:
    if rule.to_km is None or rule.from_km is None:
        return float("inf")
    return rule.to_km - rule.from_km


def joins(row: DueDate | DueSoon, found: Lines) -> bool:
    """Whether a due date is a line that may join an order now: not before its distance."""
    most_km = found.get((row.vehicle_id, row.service_id))
    return most_km is not None and (row.remaining_km is None or row.remaining_km <= most_km)
