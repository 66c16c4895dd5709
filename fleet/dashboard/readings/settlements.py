"""Settlements: what was decided about readings, act by act, and taking one back."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_GET

from fleet import chain
from fleet.dashboard.acts import act
from fleet.dashboard.frame import SignedIn, needs, scope_of, show
from fleet.people.actor import Actor
from fleet.people.roles import Right, depots_of, may
from fleet.readings import listing, unsettle
from fleet.readings.models import ReadingDecision

SHOWN = 40  # newest acts; our choice
NAMED = 5  # vehicles of one; our choice


@dataclass(frozen=True)
class SettlementLine:
    first: ReadingDecision
    what: str
    readings: int
    vehicles: Sequence[str]  # fleet numbers, the first few
    others: int  # vehicles not named


@require_GET
def settlements(request: SignedIn) -> HttpResponse:
    scope = scope_of(request)
    found = listing.settlements(scope.chosen).order_by("-pk")[:SHOWN]
    context = {
        "lines": _lines(found),
        "shown": SHOWN,
        "may_settle": may(request.user, Right.SETTLE_READINGS),
    }
    return show(request, "settlements", scope, context)


def _lines(found: Iterable[ReadingDecision]) -> list[SettlementLine]:
    acts = list(found)
    about = listing.vehicles_of_acts([one.pk for one in acts])
    return [
        SettlementLine(
            first=one,
            what=one.get_action_display(),
            readings=sum(about[one.pk].values()),
            vehicles=list(about[one.pk])[:NAMED],
            others=max(len(about[one.pk]) - NAMED, 0),
        )
        for one in acts
    ]


@needs(Right.SETTLE_READINGS)
@act("settlements")
def withdraw_settlement(request: SignedIn, actor: Actor, settlement_id: int) -> str:
    """Take back all that was decided in one act; due dates follow at once."""
    first = get_object_or_404(listing.settlements(depots_of(request.user)), pk=settlement_id)
    kept = unsettle.withdraw(
        first,
        person=actor.person,
        reason=request.POST.get("reason", ""),
        channel=actor.channel,
        now=timezone.now(),
    )
    chain.follow_withdrawn()
    kept.refresh_from_db()
    drafts = f" Drafted orders cancelled with it: {kept.drafts}." if kept.drafts else ""
    return f"Withdrawn; readings judged as if nobody had decided: {kept.readings}.{drafts}"
