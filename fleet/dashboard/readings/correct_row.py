"""The right day or value of one row of an upload, given at the row."""

from datetime import time
from functools import partial
from urllib.parse import urlencode

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from fleet import jobs
from fleet.dashboard.filters import typed_day
from fleet.dashboard.frame import SignedIn, needs
from fleet.dashboard.readings.figures import right_value
from fleet.dashboard.readings.readings import rows_seen, upload_page, uploads_seen
from fleet.dashboard.typed import shown_again
from fleet.faults import Fault, Forbidden
from fleet.people.roles import Right, depots_of
from fleet.readings.correct import Given, correct
from fleet.readings.models import Upload
from fleet.vehicles.find import find
from fleet.vehicles.models import Vehicle


@needs(Right.ADD_READINGS)
@require_POST
def correct_row(request: SignedIn, upload_id: int, row_number: int) -> HttpResponse:
    """Take what is said to be right; the rest is done in the background."""
    one = get_object_or_404(uploads_seen(request), pk=upload_id)
    row = get_object_or_404(rows_seen(request, one), number=row_number)
    try:
        correct(row.pk, _given(request), person=request.user, channel="page", now=timezone.now())
    except Forbidden as fault:
        raise PermissionDenied(str(fault)) from fault
    except Fault as fault:
        page = upload_page(request, one, request.POST.get("outcome", ""), row_number - 1)
        return shown_again(request, page, fault, _back(request, one))
    transaction.on_commit(partial(jobs.send, jobs.take_in_upload, one.pk, again=True))
    messages.success(request, "Corrected; it is judged like any reading. The row stays as given.")
    return _back(request, one)


def _back(request: SignedIn, one: Upload) -> HttpResponse:
    outcome = request.POST.get("outcome", "")
    asked = f"?{urlencode({'outcome': outcome})}" if outcome else ""
    return redirect(f"{reverse('upload-rows', args=[one.pk])}{asked}")


def _given(request: SignedIn) -> Given:
    sent = request.POST
    value, unit = right_value(sent.get("value", ""), sent.get("unit", ""))
    day = sent.get("on", "").strip()
    on = typed_day(day)
    if day and on is None:
        raise Fault(f"“{day[:40]}” is not a date: write it as 2026-03-31.", about="on")
    clock = sent.get("at", "").strip()
    return Given(
        on=on,
        at=_time(clock) if clock else None,
        without_time="at" in sent and not clock,
        value=value,
        unit=unit,
        vehicle=_vehicle(request, sent.get("vehicle", "").strip()),
        reason=sent.get("reason", ""),
    )


def _time(text: str) -> time:
    try:
        return time.fromisoformat(text).replace(tzinfo=None)
    except ValueError:
        wrong = f"“{text[:40]}” is no time of day: write it as 14:05."
        raise Fault(wrong, about="at") from None


def _vehicle(request: SignedIn, number: str) -> Vehicle | None:
    found = find(number, depots_of(request.user)) if number else None
    if number and found is None:
        raise Fault(f"There is no vehicle “{number[:40]}” in your depots.", about="vehicle")
    return found
