"""Settling many held readings with one decision."""

from collections.abc import Iterable

from django.contrib import messages
from django.http import HttpResponse
from django.utils import timezone
from django.views.decorators.http import require_POST

from fleet import chain
from fleet.dashboard.acts import back, numbers
from fleet.dashboard.frame import SignedIn, needs
from fleet.faults import Fault
from fleet.people.roles import Right, depots_of
from fleet.readings import listing
from fleet.readings.models import Reading
from fleet.readings.settle import settle_many

MOST_AT_ONCE = 200


@needs(Right.SETTLE_READINGS)
@require_POST
def settle_readings(request: SignedIn) -> HttpResponse:
    """The same decision, for the same reason, about every held reading chosen."""
    chosen = numbers(request, "reading", MOST_AT_ONCE)
    seen = listing.readings_at(depots_of(request.user)).filter(pk__in=chosen)
    rows = list(seen.select_related("vehicle").order_by("taken_at", "pk"))
    action, reason = request.POST.get("action", ""), request.POST.get("reason", "")
    found = settle_many(
        [row.pk for row in rows], action=action, person=request.user, reason=reason, channel="page"
    )
    settled = [row for row in rows if found[row.pk] is None]
    for words in _refused(rows, found):
        messages.warning(request, words)
    if settled:
        chain.refresh(sorted({row.vehicle_id for row in settled}), timezone.now())
        number = f"{len(settled)} reading{'s' * (len(settled) != 1)}"
        messages.success(request, f"Settled {number}; due dates are up to date.")
    elif not rows:
        messages.error(request, "Choose held readings first, then settle them.")
    return back(request, "readings")


def _refused(rows: Iterable[Reading], found: dict[int, Fault | None]) -> Iterable[str]:
    """Once for each reason, with the vehicles it is about."""
    named: dict[str, list[str]] = {}
    for row in rows:
        if found[row.pk] is not None:
            named.setdefault(str(found[row.pk]), []).append(row.vehicle.fleet_number)
    return (f"{', '.join(vehicles)}: {fault}" for fault, vehicles in named.items())
