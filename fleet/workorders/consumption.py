"""Oil that goes somewhere: consumption between equal levels, and top-ups that repeat."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime, timedelta

from fleet import bulk
from fleet.due.models import TopUp
from fleet.people.actor import Actor
from fleet.workorders import findings
from fleet.workorders.findings import Report
from fleet.workorders.models import Finding

LITRES_PER_1000_KM = 0.5  # our choice; makers allow from 0.3 to 1
REPEATED, WITHIN_DAYS = 3, 90  # our choice
SHORTEST_KM = 500.0  # less says nothing about consumption; our choice


def litres_per_1000_km(top_ups: Sequence[TopUp]) -> float | None:
    """Consumption between the first and the last filling to the same mark [L per 1,000 km].

    What was added at the first one replaced earlier losses and does not count.
    """
    level = [row for row in top_ups if row.to_level and row.total_km is not None]
    if len(level) < 2:
        return None
    first, last = level[0], level[-1]
    driven_km = (last.total_km or 0) - (first.total_km or 0)
    if driven_km < SHORTEST_KM:
        return None
    added_ml = sum(
        row.quantity_ml
        for row in top_ups
        if first.topped_up_at < row.topped_up_at <= last.topped_up_at
    )
    return added_ml / driven_km


def topped_up(depot_ids: Sequence[int]) -> list[int]:
    """Vehicles of some depots that were ever topped up."""
    if not bulk.has(TopUp):  # where nobody records them
        return []
    rows = TopUp.objects.filter(vehicle__depot_id__in=depot_ids)
    return sorted(set(rows.values_list("vehicle_id", flat=True)))


def watch(actor: Actor, vehicle_ids: Sequence[int], now: datetime) -> int:
    """Report consumption that is high or top-ups that repeat; give the number of new findings."""
    if not vehicle_ids:
        return 0
    by_place: dict[tuple[int, int], list[TopUp]] = defaultdict(list)
    since = now - timedelta(days=365)
    rows = TopUp.objects.filter(vehicle_id__in=vehicle_ids, topped_up_at__gte=since)
    for row in rows.select_related("vehicle", "compartment").order_by("topped_up_at"):
        by_place[row.vehicle_id, row.compartment_id].append(row)
    return sum(_report(actor, top_ups, now) for top_ups in by_place.values())


def _report(actor: Actor, top_ups: list[TopUp], now: datetime) -> int:
    text = _what_is_odd(top_ups, now)
    newest = top_ups[-1]
    known = Finding.objects.filter(
        vehicle=newest.vehicle,
        compartment=newest.compartment,
        kind=Finding.Kind.CONSUMPTION,
        closed_at=None,
    )
    if not text or known.exists():
        return 0
    findings.report(
        actor,
        Report(
            vehicle=newest.vehicle,
            kind=Finding.Kind.CONSUMPTION,
            severity=Finding.Severity.SOON,
            text=text,
            client_key=f"consumption:{newest.pk}",
            compartment=newest.compartment,
            found_by=Finding.FoundBy.PROGRAM,
        ),
    )
    return 1


def _what_is_odd(top_ups: Sequence[TopUp], now: datetime) -> str:
    rate = litres_per_1000_km(top_ups)
    if rate is not None and rate > LITRES_PER_1000_KM:
        return f"{rate:.2f} L per 1,000 km between equal levels."
    recent = [row for row in top_ups if row.topped_up_at >= now - timedelta(days=WITHIN_DAYS)]
    if len(recent) >= REPEATED:
        return f"Topped up {len(recent)} times in {WITHIN_DAYS} days."
    return ""
