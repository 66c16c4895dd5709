"""Workbook: the whole fleet as one spreadsheet, out and in; checked first, then loaded."""

import tempfile
from collections.abc import Callable
from functools import partial, wraps
from pathlib import Path
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet import jobs
from fleet.dashboard.acts import act
from fleet.dashboard.downloads import SHEET_TYPE
from fleet.dashboard.frame import SignedIn, scope_of, show
from fleet.dashboard.typed import shown_again
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.workbook import sent, withdraw, write
from fleet.workbook.models import Load, SentBook
from fleet.workbook.told import sheets_by_touch

BOOKS_SHOWN = 8  # newest first
ROWS_TOLD = 100  # of what goes, and of what stays; our choice
View = Callable[..., HttpResponse]


def _whole_fleet(view: View) -> View:
    """Refuse whoever may not set up at every depot before anything that was sent is read."""

    @wraps(view)
    def refusing(request: SignedIn, *given: Any, **named: Any) -> HttpResponse:
        if not sent.may_load(request.user):
            raise PermissionDenied(
                "A workbook holds the whole fleet: it wants leave to set up at every depot."
            )
        return view(request, *given, **named)

    return refusing


@_whole_fleet
@require_GET
def workbook(request: SignedIn) -> HttpResponse:
    return _page(request)


def _page(request: SignedIn) -> HttpResponse:
    workbooks = SentBook.objects.select_related("person")[:BOOKS_SHOWN]
    loads = Load.objects.select_related("person", "withdrawn_by")[:BOOKS_SHOWN]
    context = {"workbooks": workbooks, "loads": loads}
    return show(request, "workbook", scope_of(request), context)


@_whole_fleet
@require_GET
def workbook_file(request: SignedIn, what: str) -> HttpResponse:
    """An empty workbook, or the fleet as it stands."""
    with tempfile.TemporaryDirectory(prefix="sumpwise-") as folder:
        path = Path(folder) / f"{what}.xlsx"
        if what == "template":
            write.write_template(path)
        else:
            write.export(path)
        response = HttpResponse(path.read_bytes(), content_type=SHEET_TYPE)
    response["Content-Disposition"] = f'attachment; filename="{what}.xlsx"'
    return response


@_whole_fleet
@require_POST
def send_workbook(request: SignedIn) -> HttpResponse:
    """Receive a workbook and have it checked; nothing is loaded yet."""
    file = request.FILES.get("file")
    try:
        if file is None:
            raise Fault("Choose a workbook first.", about="file")
        sent_book = sent.receive(file, file.name or "workbook", request.user)
    except Fault as fault:
        return shown_again(request, _page(request), fault, redirect("workbook"))
    return _taken_up(sent_book)


def _taken_up(sent_book: SentBook) -> HttpResponse:
    transaction.on_commit(partial(jobs.send, jobs.take_in_workbook, sent_book.pk))
    return redirect("one-workbook", sent_book.pk)


@_whole_fleet
@require_GET
def one_workbook(request: SignedIn, sent_id: int) -> HttpResponse:
    """What was found in one workbook, and what may be done with it."""
    return show(request, "one-workbook", scope_of(request), _facts(sent_id))


@_whole_fleet
@require_GET
def workbook_state(request: SignedIn, sent_id: int) -> HttpResponse:
    """How far a workbook is; the page asks again until it waits for a person."""
    return render(request, "dashboard/_workbook_state.html", _facts(sent_id))


def _facts(sent_id: int) -> dict[str, Any]:
    sent_book = get_object_or_404(SentBook.objects.select_related("person"), pk=sent_id)
    touched, untouched = sheets_by_touch(sent_book.told)
    return {"sent_book": sent_book, "touched": touched, "untouched": untouched}


@_whole_fleet
@require_POST
def take_up_workbook(request: SignedIn, sent_id: int) -> HttpResponse:
    """Load a checked workbook, or check it once more."""
    sent_book = get_object_or_404(SentBook, pk=sent_id)
    act = sent.want_loaded if request.POST.get("action") == "load" else sent.check_again
    try:
        act(sent_book)
    except Fault as fault:
        messages.error(request, str(fault))
        return redirect("one-workbook", sent_book.pk)
    return _taken_up(sent_book)


@_whole_fleet
@require_GET
def one_load(request: SignedIn, load_id: int) -> HttpResponse:
    """What withdrawing a load would take back and what would stay, before it is done."""
    return _load_page(request, load_id)


def _load_page(request: SignedIn, load_id: int) -> HttpResponse:
    load = get_object_or_404(Load.objects.select_related("person"), pk=load_id)
    if load.withdrawn_at is not None:
        messages.error(request, "This load was withdrawn already.")
        return redirect("workbook")
    found = withdraw.foreseen(load, now=timezone.now())
    context = {
        "load": load,
        "found": found,
        "goes": found.goes[:ROWS_TOLD],
        "goes_more": max(len(found.goes) - ROWS_TOLD, 0),
        "stays": found.stays[:ROWS_TOLD],
        "stays_more": max(len(found.stays) - ROWS_TOLD, 0),
    }
    return show(request, "one-load", scope_of(request), context)


def _load_stays(request: SignedIn, fault: Fault, load_id: int) -> HttpResponse:
    return shown_again(request, _load_page(request, load_id), fault, redirect("one-load", load_id))


@_whole_fleet
@act("workbook", refused=_load_stays)
def withdraw_load(request: SignedIn, actor: Actor, load_id: int) -> str:
    """Take a load back as far as nothing came since."""
    load = get_object_or_404(Load, pk=load_id)
    found = withdraw.withdraw(
        load,
        person=actor.person,
        reason=request.POST.get("reason", ""),
        now=actor.now,
        seen=request.POST.get("seen", ""),
    )
    return withdraw.in_words(found)
