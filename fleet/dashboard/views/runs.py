"""Runs: the ledger of nights and uploads, and starting a night by hand."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet import jobs
from fleet.dashboard.frame import SignedIn, scope_of, show
from fleet.dashboard.run_words import JOB_WORDS, count_words, job_words
from fleet.hindcast import widen
from fleet.people.roles import Right, depots_of, may
from fleet.runs import ledger
from fleet.runs.models import Run
from fleet.usage import rates

SHOWN = 60
MONTHLY = {rates.JOB, widen.JOB}
SHAPES = {"done": "accepted", "running": "waiting", "waiting": "waiting", "lost": "held"}


@dataclass
class RunLine:
    run: Run
    job: str
    standing: str
    shape: str
    took: str
    counts: str
    part: str  # of which depots, or of what it is a run
    told_before: bool = False  # a month's work that went well, as a later month's above

    @property
    def calm(self) -> bool:
        """Sorts what failed or was lost before all else."""
        return self.run.state == Run.State.DONE or self.at_work

    @property
    def at_work(self) -> bool:
        return self.standing in {"waiting", "running"}


@require_GET
def runs(request: SignedIn) -> HttpResponse:
    now = timezone.now()
    job, troubled = request.GET.get("job", ""), request.GET.get("state") == "trouble"
    scope, names = scope_of(request), defaultdict(list)
    for depot in scope.depots:
        names[depot.zone].append(depot.name)
    lines = [_line(run, now, names) for run in ledger.listed(job, troubled=troubled)[:SHOWN]]
    _tell_months_once(lines)
    known = [line for line in lines if line.told_before and not (job or troubled)]
    context = {
        "known": known,
        "job": job,
        "troubled": troubled,
        "jobs": [(name, JOB_WORDS.get(name, name)) for name in ledger.jobs_kept()],
        "shown": SHOWN if len(lines) == SHOWN else 0,
        "lines": sorted((one for one in lines if one not in known), key=lambda one: one.calm),
        "again": _look_again(lines, "asked" in request.GET),
        "may_start": may(request.user, Right.RUN_NIGHT),
        "night_at": ledger.NIGHT_AT,
        "now": now,
    }
    return show(request, "runs", scope, context)


def _tell_months_once(lines: list[RunLine]) -> None:
    """Of each work of a month only the newest is told; the others are folded where all is well."""
    seen: set[str] = set()
    for line in lines:
        line.told_before = line.run.job in seen and line.calm and not line.at_work
        seen |= {line.run.job} & MONTHLY


def _look_again(lines: list[RunLine], asked: bool) -> str:
    """When the list is to be fetched again: what was just asked for may not have begun yet."""
    if any(line.at_work for line in lines):
        return "every 2s"
    return "load delay:2s" if asked else ""


def _line(run: Run, now: datetime, depots: Mapping[str, list[str]]) -> RunLine:
    """A run as it is listed; ``depots`` are names by time zone, of which each has its night."""
    standing = ledger.standing(run, now)
    return RunLine(
        run=run,
        job=job_words(run),
        standing=standing,
        shape=SHAPES.get(standing, "rejected"),
        took=_took(run),
        counts=count_words(run.counts),
        # of what went wrong outside any work the part only tells one from another
        part=", ".join(depots.get(run.part, [run.part])) if run.started_at else "",
    )


def _took(run: Run) -> str:
    if run.started_at is None or run.finished_at is None:
        return ""
    seconds = (run.finished_at - run.started_at).total_seconds()
    if seconds < 1:
        return "under 1 s"
    return f"{seconds:.0f} s" if seconds < 60 else f"{seconds / 60:.0f} min"


@require_POST
def start_night(request: SignedIn) -> HttpResponse:
    """Start the newest night of every time zone in which the person has a depot."""
    if not may(request.user, Right.RUN_NIGHT):
        raise PermissionDenied("Only a supervisor starts the night.")
    now = timezone.now()
    for zone in sorted(set(depots_of(request.user).values_list("zone", flat=True))):
        asked = ledger.ask_for(ledger.NIGHT, ledger.newest_night(now, zone), zone, again=True)
        jobs.send(jobs.night, asked.on.isoformat(), zone)
    messages.success(request, "The night was asked for; it shows below as soon as it starts.")
    return redirect(f"{reverse('runs')}?asked=1")
