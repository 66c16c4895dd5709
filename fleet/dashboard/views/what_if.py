"""What if: ready questions, a list of changes as a file, and the answers."""

import tempfile
from functools import partial
from pathlib import Path
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet import jobs
from fleet.dashboard import what_if_lines as lines
from fleet.dashboard.downloads import table_file
from fleet.dashboard.frame import SignedIn, needs, scope_of, show
from fleet.dashboard.plotly_bundle import MAP_STYLE_ID
from fleet.dashboard.typed import shown_again
from fleet.faults import Fault
from fleet.people.roles import Right, depots_of, may
from fleet.whatif import ask, listing, ready
from fleet.whatif.models import WhatIf
from fleet.whatif.rows import FIELDS, KINDS, ChangesRefused, from_file

SHOWN = 30  # newest first
MOST_BYTES = 1 << 20  # of a list of changes; our choice
CHARTS = {"difference": lines.difference_chart, "both": lines.both_chart}
# fields of the ready forms by what they become in a row
ABOUT = {
    "mechanic": {"value": "minutes", "which": "depot", "from": "from"},
    "limits": {"value": "km", "which": "which", "from": "from"},
    "vehicles": {"value": "count", "which": "type", "from": "from"},
    "file": dict.fromkeys(FIELDS, "file"),
}


@needs(Right.ASK_WHAT_IF)
@require_GET
def what_if(request: SignedIn) -> HttpResponse:
    return _page(request)


def _page(request: SignedIn) -> HttpResponse:
    scope = scope_of(request)
    depots = list(depots_of(request.user))
    found = list(listing.seen_with(depots_of(request.user))[:SHOWN])
    context = {
        "choices": ready.choices(depots),
        "later": ready.in_three_months(scope.today),
        "asked": lines.asked_lines(found),
        "headings": lines.COMPARED_HEADINGS,
        "kinds": KINDS.values(),
    }
    return show(request, "what-if", scope, context)


@needs(Right.ASK_WHAT_IF)
@require_POST
def ask_what_if(request: SignedIn) -> HttpResponse:
    """Take a question from a ready form or a file."""
    form = request.POST.get("form", "")
    try:
        title, rows = _given(request, form)
        asked = ask.ask(
            rows,
            list(depots_of(request.user).order_by("slug")),
            timezone.now(),
            person=request.user,
            channel="page",
            title=title,
        )
    except ChangesRefused as refused:
        first = ABOUT.get(form, {}).get(refused.faults[0].field, "")
        fault = Fault(str(refused), about=first)
        return shown_again(request, _page(request), fault, redirect("what-if"))
    except Fault as fault:
        return shown_again(request, _page(request), fault, redirect("what-if"))
    transaction.on_commit(partial(jobs.send, jobs.answer_what_if, asked.pk))
    return redirect("one-what-if", asked.pk)


def _given(request: SignedIn, form: str) -> tuple[str, list[Any]]:
    if form != "file":
        depots = list(depots_of(request.user).order_by("slug"))
        return ready.rows_of(form, request.POST.dict(), depots)
    file = request.FILES.get("file")
    if file is None:
        raise Fault("Choose a file first.", about="file")
    if (file.size or 0) > MOST_BYTES:
        raise Fault(f"The file is larger than {MOST_BYTES >> 20} MB: leave rows out.", about="file")
    name = file.name or "changes"
    with tempfile.TemporaryDirectory(prefix="sumpwise-") as folder:
        path = Path(folder) / "changes"
        path.write_bytes(file.read())
        return request.POST.get("title", ""), from_file(path, name)


def _or_404(request: SignedIn, asked_id: int) -> WhatIf:
    found = listing.seen_with(depots_of(request.user)).filter(pk=asked_id).first()
    if found is None:
        raise Http404
    return found


@needs(Right.ASK_WHAT_IF)
@require_GET
def one_what_if(request: SignedIn, asked_id: int) -> HttpResponse:
    """One question: how far it is, or its answer."""
    return show(request, "one-what-if", scope_of(request), _facts(request, asked_id))


@needs(Right.ASK_WHAT_IF)
@require_GET
def what_if_state(request: SignedIn, asked_id: int) -> HttpResponse:
    """How far a question is; the page asks again, and is loaded anew at its end."""
    facts = _facts(request, asked_id)
    answer = render(request, "dashboard/_what_if_state.html", facts)
    if not facts["asked"].moving:
        answer["HX-Refresh"] = "true"
    return answer


def _facts(request: SignedIn, asked_id: int) -> dict[str, Any]:
    asked = _or_404(request, asked_id)
    facts: dict[str, Any] = {
        "asked": asked,
        "changes": lines.change_rows(asked),
        "may_delete": asked.person_id == request.user.pk or may(request.user, Right.RUN_NIGHT),
    }
    if asked.state != WhatIf.State.DONE:
        return facts
    measure, result = _measure(request), asked.result
    items = lines.item_lines(result)
    return facts | {
        "result": result,
        "measure": measure,
        "measures": [(name, lines.NAMES[name][0]) for name in lines.SHOWN],
        "measure_name": lines.NAMES[measure][0],
        "unit": lines.unit_of(measure),
        "totals": lines.totals(result),
        "months": lines.month_lines(result, measure),
        "by_depot": lines.depot_lines(result, measure) if len(result["depots"]) > 1 else [],
        "items": [one for one in items if one.differs],
        "same_items": [one for one in items if not one.differs],
        "plans": lines.plan_lines(result),
        "late_before": lines.late_before(result),
        "chart_words": lines.in_words(result, measure),
        "map_style_id": MAP_STYLE_ID,
    }


def _measure(request: SignedIn) -> str:
    wanted = request.GET.get("by", lines.SHOWN[0])
    if wanted not in lines.SHOWN:
        raise Http404
    return wanted


def _answered_or_404(request: SignedIn, asked_id: int) -> WhatIf:
    asked = _or_404(request, asked_id)
    if asked.state != WhatIf.State.DONE:
        raise Http404
    return asked


@needs(Right.ASK_WHAT_IF)
@require_GET
def what_if_chart(request: SignedIn, asked_id: int, sight: str) -> HttpResponse:
    asked = _answered_or_404(request, asked_id)
    figure = CHARTS[sight](asked.result, _measure(request))
    return HttpResponse(figure.to_json(), content_type="application/json")


@needs(Right.ASK_WHAT_IF)
@require_GET
def what_if_file(request: SignedIn, asked_id: int, ending: str) -> HttpResponse:
    """Every figure of an answer as a file."""
    asked = _answered_or_404(request, asked_id)
    return table_file(f"what-if-{asked.pk}", ending, lines.HEADINGS, lines.cells(asked.result))


@needs(Right.ASK_WHAT_IF)
@require_GET
def what_if_changes(request: SignedIn, asked_id: int = 0) -> HttpResponse:
    """The changes of a question as a sheet to change and send again; without one, the ready
    questions."""
    if asked_id:
        rows = _or_404(request, asked_id).changes
    else:
        rows = ready.examples(list(depots_of(request.user)), scope_of(request).today)
    cells = [[row[name] for name in FIELDS] for row in rows]
    return table_file("what-if-changes", "xlsx", FIELDS, cells)


@needs(Right.ASK_WHAT_IF)
@require_POST
def delete_what_if(request: SignedIn, asked_id: int) -> HttpResponse:
    asked = _or_404(request, asked_id)
    try:
        ask.delete(asked, request.user)
    except Fault as fault:
        messages.error(request, str(fault))
        return redirect("one-what-if", asked_id)
    messages.success(request, f"Deleted: {asked.title}.")
    return redirect("what-if")
