"""Readings: uploading a sheet, what became of its rows, and settling what is held."""

from typing import IO, Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.db.models import Q, QuerySet
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet import chain, jobs
from fleet.dashboard.downloads import table_file
from fleet.dashboard.frame import Scope, SignedIn, needs, scope_of, show
from fleet.dashboard.readings.figures import right_value
from fleet.dashboard.readings.lines import meant_because, reading_lines, with_lines
from fleet.dashboard.readings.settle_many import readings_in_words, tell_left
from fleet.dashboard.readings.uploads import (
    NOT_ACCEPTED,
    STEPS,
    as_texts,
    file_rows,
    row_lines,
    share_of,
    totals_of,
    upload_lines,
)
from fleet.dashboard.whole_numbers import whole_number
from fleet.faults import Fault, Question
from fleet.people.roles import Right, depots_of, may
from fleet.readings import intake, listing, mend
from fleet.readings.kinds import kinds_of
from fleet.readings.models import Reading, Upload, UploadRow, Verdict
from fleet.readings.report import HEADINGS, given_headings
from fleet.readings.roll import Roll
from fleet.readings.settle import settle
from fleet.readings.withdraw import withdraw
from fleet.vehicles.find import find

HELD_SHOWN = 20
UPLOADS_SHOWN = 5
ROWS_SHOWN = 60
CHANGED = "readings-changed"  # to whatever on a page rests on readings
RIGHT_VALUE = "right value"  # the button beside the field: never the suggestion
TAKEN = "accept suggestion"  # kept as another value where it is not the one suggested
FIRST_ROWS = 8  # beside the list of held readings
# what was there already needs no look: it is listed where it is asked for
LOOKED_AT = [one for one in NOT_ACCEPTED if one != UploadRow.Outcome.REPEATED]
CORRECTED = "corrected"  # asked for as an outcome is
SHOWN_OUTCOMES = {*NOT_ACCEPTED, UploadRow.Outcome.ACCEPTED}


@require_GET
def readings(request: SignedIn) -> HttpResponse:
    scope = scope_of(request)
    context = {
        **_held(request, scope, 0),
        **_uploads(request),
        "held_count": listing.held(scope.chosen).count(),
        "may_add": may(request.user, Right.ADD_READINGS),
    }
    return show(request, "readings", scope, context)


def _uploads(request: SignedIn) -> dict[str, Any]:
    """The newest uploads, or the next older ones before a given one."""
    before = request.GET.get("before", "")
    seen = uploads_seen(request).order_by("-pk")
    unseen = listing.with_unseen(seen)
    only = request.GET.get("rejected") == "1"
    found = unseen if only else seen
    if before.isdecimal():
        found = found.filter(pk__lt=whole_number(before))
    shown = list(found[: UPLOADS_SHOWN + 1])
    older = shown[UPLOADS_SHOWN - 1].pk if len(shown) > UPLOADS_SHOWN else ""
    own = listing.own_newest(request.user)
    return {
        "uploads": upload_lines(shown[:UPLOADS_SHOWN]),
        "older": older,
        "before": before,
        "only_rejected": only,
        "unseen_uploads": unseen.count(),
        "own": upload_lines([own])[0] if own else None,
    }


def uploads_seen(request: SignedIn) -> QuerySet[Upload]:
    return listing.uploads_seen_by(request.user, depots_of(request.user))


def rows_seen(request: SignedIn, one: Upload) -> QuerySet[UploadRow]:
    return listing.rows_seen_by(request.user, one, depots_of(request.user))


@require_GET
def readings_more(request: SignedIn) -> HttpResponse:
    """More held readings, for the end of the list."""
    after = request.GET.get("after", "")
    if not after.isdecimal():
        raise Http404
    scope = scope_of(request)
    context = {**_held(request, scope, whole_number(after)), "depot": scope.depot}
    return render(request, "dashboard/_held_rows.html", context)


def _held(request: SignedIn, scope: Scope, after_id: int) -> dict[str, Any]:
    """Held readings in the order in which they came, one more than is shown."""
    found = listing.held(scope.chosen).filter(pk__gt=after_id)
    lines = reading_lines(with_lines(found)[: HELD_SHOWN + 1], request.user)
    more = lines[HELD_SHOWN - 1].pk if len(lines) > HELD_SHOWN else ""
    together = sum(line.may_settle for line in lines) > 1 or after_id > 0
    return {"lines": lines[:HELD_SHOWN], "more": more, "settle_many": together}


@require_POST
def settle_reading(request: SignedIn, reading_id: int) -> HttpResponse:
    """Decide on one reading; its vehicle is judged again and its due dates follow."""
    seen = Reading.objects.filter(vehicle__depot__in=depots_of(request.user))
    reading = get_object_or_404(seen.select_related("vehicle"), pk=reading_id)
    if not may(request.user, Right.SETTLE_READINGS, reading.vehicle.depot_id):
        raise PermissionDenied("Your role does not settle readings.")
    others = list(listing.held_beside(reading).values_list("pk", flat=True))
    try:
        settle(
            reading_id=reading.pk, person=request.user, channel="page", **_said(request, reading)
        )
    except Question as question:
        action = _decision(request)["action"]
        return _settled(request, reading.pk, {"question": str(question), "asked_action": action})
    except Fault as fault:
        return _settled(request, reading.pk, {"fault": str(fault)})
    chain.refresh([reading.vehicle_id], timezone.now())
    response = _settled(request, reading.pk, {"others": others})
    response["HX-Trigger"] = CHANGED
    return response


def _said(request: SignedIn, reading: Reading) -> dict[str, Any]:
    """The decision; a tap on a value that may have been meant brings its own words for why."""
    decision = _decision(request)
    if not request.POST.get("meant"):
        return decision
    reason = decision["reason"] or meant_because(reading, decision["value"])
    return {**decision, "reason": reason, "override_reason": reason}


def _decision(request: SignedIn) -> dict[str, Any]:
    """What the form says: a tap on a value that may have been meant, or action and right value.

    Who answers a question about the value sends the action as ``sure``.
    """
    sent, reason = request.POST, request.POST.get("reason", "").strip()
    if sent.get("meant"):
        value, unit = right_value(sent["meant"], "")
        return {"action": TAKEN, "reason": reason, "value": value, "unit": unit}
    typed = sent.get("value", "")
    untouched = typed.strip() == sent.get("stood", "")
    value, unit = right_value("" if untouched else typed, sent.get("unit", ""))
    sure = sent.get("sure", "")
    action = sure or sent.get("action", "")
    if action == RIGHT_VALUE:
        if value is None:
            raise Fault(
                "Type the right value first, over the one that stands there.", about="value"
            )
        action = TAKEN
    return {
        "action": action,
        "reason": reason,
        "value": value,
        "unit": unit,
        "override_reason": reason if sure else "",
    }


def _settled(request: SignedIn, reading_id: int, context: dict[str, Any]) -> HttpResponse:
    if not request.htmx:  # type: ignore[attr-defined]
        for text in (context.get("fault"), context.get("question")):
            if text:
                messages.error(request, text)
        return redirect("readings")
    others = context.pop("others", [])
    found = with_lines(Reading.objects.filter(pk__in=[reading_id, *others]).order_by("pk"))
    lines = {one.pk: one for one in reading_lines(found, request.user)}
    line = lines.pop(reading_id)
    on_vehicle = request.POST.get("row") == "vehicle"
    piece = "_vehicle_reading" if on_vehicle else "_held"
    typed = {name: request.POST.get(name, "") for name in ("reason", "value")}
    given = {"line": line, "just_settled": not context, **typed, **context}
    shown = render(request, f"dashboard/{piece}.html", given)
    for other in lines.values():  # of the same meter: brought up to date beside it
        beside = {"line": other, "settled_by": line if other.verdict != Verdict.HELD else None}
        shown.write(render(request, f"dashboard/{piece}.html", {**beside, "beside": True}).content)
    if not context:
        now = _uploads_now(request, [reading_id, *others])
        shown.write(render(request, "dashboard/_upload_now.html", now).content)
    return shown


def _uploads_now(request: SignedIn, reading_ids: list[int]) -> dict[str, Any]:
    """What pages say elsewhere of the uploads that readings came from."""
    own = Q(reading__in=reading_ids) | Q(hours_reading__in=reading_ids)
    rows = list(UploadRow.objects.filter(own, upload__in=uploads_seen(request)))
    found = list(Upload.objects.filter(pk__in={row.upload_id for row in rows}))
    return {
        "here": set(request.POST.getlist("here")),  # what of it the page has
        "row_lines": [(f"row-now-{one.pk}", one) for one in row_lines(rows, request.user)],
        "upload_lines": [(f"upload-outcome-{one.row.pk}", one) for one in upload_lines(found)],
        "upload_totals": [(f"upload-totals-{one.pk}", one, totals_of(one)) for one in found],
    }


@require_POST
def upload(request: SignedIn) -> HttpResponse:
    """Receive a sheet; the rest is done in the background."""
    if not may(request.user, Right.ADD_READINGS):
        raise PermissionDenied("Your role does not upload readings.")
    sheet = request.FILES.get("file")
    if sheet is None:
        return _refused(request, "Choose a sheet first, then upload it.")
    try:
        if request.POST.get("dry_run"):
            return _dry_run(request, sheet)
        received = intake.receive(sheet, sheet.name or "sheet", request.user, _options(request))
    except Fault as fault:
        return _refused(request, str(fault))
    if received.state != Upload.State.DONE:
        transaction.on_commit(lambda: jobs.send(jobs.take_in_upload, received.pk))
    if not request.htmx:  # type: ignore[attr-defined]
        return redirect("upload-rows", received.pk)
    return _state(request, received)


def _options(request: SignedIn) -> intake.Options:
    unit = request.POST.get("unit", "")
    return intake.Options(unit="mi" if unit == "mi" else "km" if unit == "km" else None)


def _dry_run(request: SignedIn, sheet: IO[bytes]) -> HttpResponse:
    """Say what an upload would do; nothing of it is kept."""
    now = timezone.now()
    report = intake.dry_run(
        sheet,
        sheet.name or "sheet",
        lambda ids: chain.catch_up(now, ids),
        request.user,
        _options(request),
    )
    rows = [(row, as_texts(row.as_given)) for row in report.not_accepted[:ROWS_SHOWN]]
    return render(request, "dashboard/_dry_run.html", {"report": report, "rows": rows})


def _refused(request: SignedIn, fault: str) -> HttpResponse:
    return render(request, "dashboard/_upload_refused.html", {"fault": fault})


@require_GET
def upload_state(request: SignedIn, upload_id: int) -> HttpResponse:
    """How far an upload is; the page asks again until it is done."""
    return _state(request, get_object_or_404(uploads_seen(request), pk=upload_id))


def _state(request: SignedIn, one: Upload) -> HttpResponse:
    scope = scope_of(request)
    context = {"scope": scope, **_upload_context(request, one, "", 0, FIRST_ROWS)}
    response = render(request, "dashboard/_upload_state.html", context)
    if not one.is_under_way:
        response["HX-Trigger"] = CHANGED
    return response


@require_GET
def upload_rows(request: SignedIn, upload_id: int) -> HttpResponse:
    """One upload: its totals, then its rows, those that want a look unless asked."""
    one = get_object_or_404(uploads_seen(request), pk=upload_id)
    after = whole_number(request.GET.get("after", ""))
    return upload_page(request, one, request.GET.get("outcome", ""), after)


def upload_page(request: SignedIn, one: Upload, outcome: str, after: int = 0) -> HttpResponse:
    """Its rows after a certain one, of an outcome where one is named."""
    context = _upload_context(request, one, outcome, after)
    return show(request, "upload", scope_of(request), context)


def _upload_context(
    request: SignedIn, one: Upload, outcome: str, after: int, most: int = ROWS_SHOWN
) -> dict[str, Any]:
    wanted = [outcome] if outcome in SHOWN_OUTCOMES else LOOKED_AT
    seen = rows_seen(request, one)
    rows = _asked(seen, outcome).filter(number__gt=after)
    found = list(rows[: most + 1])
    return {
        "upload": one,
        "share": share_of(one),
        "steps": STEPS,
        "finished": not one.is_under_way,
        "waiting_since": jobs.waiting_since(one),
        "totals": totals_of(one),
        **_kinds(request, one),
        "corrected": listing.corrected(seen).count(),
        "outcome": outcome if outcome in (*SHOWN_OUTCOMES, CORRECTED) else "",
        "lines": row_lines(found[:most], request.user),
        "rows_unseen": 0 if found else _unseen(request, one, wanted),
        "more": found[most - 1].number if len(found) > most else "",
    }


def _asked(rows: QuerySet[UploadRow], outcome: str) -> QuerySet[UploadRow]:
    """Rows of an outcome, or corrected ones; those that want a look, where nothing is asked for."""
    if outcome == CORRECTED:
        return listing.corrected(rows)
    if outcome in SHOWN_OUTCOMES:
        return listing.with_outcomes(rows, [outcome])
    return listing.looked_at(rows, LOOKED_AT)


def _unseen(request: SignedIn, one: Upload, wanted: list[Any]) -> int:
    return listing.count_unseen_by(request.user, one, depots_of(request.user), wanted)


def _kinds(request: SignedIn, one: Upload) -> dict[str, Any]:
    """Rows that were not accepted by kind, each with what mends all of them."""
    if one.state != Upload.State.DONE:
        return {}
    reached = set(depots_of(request.user).values_list("slug", flat=True))
    own = reached & set(intake.depots_of_upload(one) or reached)
    roll = Roll(sorted(own), one.options.get("treat_as"))
    return {
        "kinds": kinds_of(rows_seen(request, one), roll),
        "treated_as": sorted(one.options.get("treat_as", {}).items()),
        "may_add": may(request.user, Right.ADD_READINGS),
        "may_settle": may(request.user, Right.SETTLE_READINGS),
    }


@require_POST
def mend_upload(request: SignedIn, upload_id: int) -> HttpResponse:
    """Mend all rows of one kind: take an unknown name for a vehicle, or accept what was meant."""
    one = get_object_or_404(uploads_seen(request), pk=upload_id)
    try:
        if request.POST.get("named"):
            _treat_as(request, one)
        else:
            _accept_all(request, one)
    except Fault as fault:
        messages.error(request, str(fault))
    return redirect("upload-rows", one.pk)


def _treat_as(request: SignedIn, one: Upload) -> None:
    number = request.POST.get("vehicle", "").strip()
    found = find(number, depots_of(request.user))
    if found is None:
        raise Fault(f"There is no vehicle “{number[:40]}” in your depots.")
    if not may(request.user, Right.ADD_READINGS, found.depot_id):
        raise PermissionDenied("Your role does not upload readings.")
    named = request.POST["named"]
    by = mend.By(request.user, "page", timezone.now())
    taken = mend.treat_as(one, named, found, by)
    transaction.on_commit(lambda: jobs.send(jobs.take_in_upload, one.pk, again=True))
    messages.success(request, f"“{named[:40]}” is read as {found}: {taken} taken up.")


def _accept_all(request: SignedIn, one: Upload) -> None:
    reason = request.POST.get("reason", "").strip()
    found = mend.accept_suggestions(one, request.POST.get("kind", ""), request.user, reason)
    taken = [row for row, fault in found if fault is None]
    chain.refresh(sorted({row.vehicle_id for row in taken}), timezone.now())
    tell_left(request, found)
    if taken:
        told = f"What was likely meant is accepted for {readings_in_words(len(taken))}"
        messages.success(request, f"{told}; due dates are up to date.")


@require_POST
@needs(Right.SETTLE_READINGS)
def withdraw_upload(request: SignedIn, upload_id: int) -> HttpResponse:
    """Take an upload back as a whole; its rows stay to be read."""
    one = get_object_or_404(uploads_seen(request), pk=upload_id)
    reason = request.POST.get("reason", "")
    try:
        kept = withdraw(one, person=request.user, reason=reason, channel="page", now=timezone.now())
    except Fault as fault:
        messages.error(request, str(fault))
        return redirect("upload-rows", one.pk)
    transaction.on_commit(lambda: jobs.send(jobs.take_in_upload, one.pk, again=True))
    messages.success(request, f"Withdrawn; readings that count no more: {kept.readings}.")
    return redirect("upload-rows", one.pk)


@require_GET
def upload_file(request: SignedIn, upload_id: str, ending: str) -> HttpResponse:
    """The rows as they were given, each with its outcome."""
    one = get_object_or_404(uploads_seen(request), pk=int(upload_id[:18]))
    rows = rows_seen(request, one)
    headings = [*HEADINGS, *given_headings(rows)]
    return table_file(f"upload-{one.pk}", ending, headings, file_rows(rows))
