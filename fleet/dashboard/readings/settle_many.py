"""Settling many held readings with one decision."""

from collections.abc import Iterable

from django.contrib import messages
from django.http import HttpResponse
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from fleet import chain
from fleet.dashboard.acts import back, numbers
from fleet.dashboard.frame import SignedIn, needs
from fleet.dashboard.words import day, grouped
from fleet.faults import Fault
from fleet.people.roles import Right, depots_of
from fleet.readings import listing
from fleet.readings.models import Reading
from fleet.readings.settle import settle_many
from fleet.today import today_at

MOST_AT_ONCE = 200
MOST_TOLD = 8  # one by one


@needs(Right.SETTLE_READINGS)
@require_POST
def settle_readings(request: SignedIn) -> HttpResponse:
    """The same decision, for the same reason, about every held reading chosen."""
    chosen = numbers(request, "reading", MOST_AT_ONCE)
    seen = listing.readings_at(depots_of(request.user)).filter(pk__in=chosen)
    rows = list(seen.select_related("vehicle__depot").order_by("taken_at", "pk"))
    action, reason = request.POST.get("action", ""), request.POST.get("reason", "")
    pks = [row.pk for row in rows]
    try:
        found = settle_many(pks, action=action, person=request.user, reason=reason, channel="page")
    except Fault as fault:
        messages.error(request, str(fault))
        return back(request, "readings")
    settled = [row for row in rows if found[row.pk] is None]
    tell_left(request, [(row, found[row.pk]) for row in rows])
    if settled:
        chain.refresh(sorted({row.vehicle_id for row in settled}), timezone.now())
        told = f"Settled {readings_in_words(len(settled))}"
        messages.success(request, f"{told}; due dates are up to date.")
    elif not rows:
        messages.error(request, "Choose held readings first, then settle them.")
    return back(request, "readings")


def readings_in_words(number: int) -> str:
    return f"{number} reading{'s' * (number != 1)}"


def tell_left(request: SignedIn, found: Iterable[tuple[Reading, Fault | None]]) -> None:
    """Say which of some readings were left as they are and why, each with the way to it."""
    left = [(row, fault) for row, fault in found if fault is not None]
    for row, fault in left[:MOST_TOLD]:
        where = f"{reverse('vehicle', args=[row.vehicle.fleet_number])}#reading-{row.pk}"
        on = day(today_at(row.vehicle.depot.zone, row.taken_at))
        said = f"{row.vehicle}, {grouped(row.value)} {row.unit} of {on}"
        messages.warning(request, f"{said} was left: {fault}", extra_tags=where)
    if len(left) > MOST_TOLD:
        messages.warning(request, f"And {len(left) - MOST_TOLD} more were left.")
