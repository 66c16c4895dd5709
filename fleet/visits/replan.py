"""Plan a depot anew while somebody waits, and say what came of it."""

from dataclasses import dataclass
from functools import partial

from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.runs import ledger
from fleet.runs.models import Run
from fleet.today import today_at
from fleet.vehicles.models import Depot
from fleet.visits.events import note
from fleet.visits.listing import PlanRow, newest, plan_row
from fleet.visits.models import PLANNED_KEY, Plan
from fleet.visits.plan import plan, safety_clock

JOB = "plan anew"
NOW_S = 3.0  # of computing at most, while somebody waits; our choice


@dataclass(frozen=True)
class Replanned:
    """A plan made anew beside the one before."""

    plan: Plan
    before: PlanRow | None
    after: PlanRow
    moved: int  # services that are on another day than before, left out among them
    same: bool  # nothing had changed: the plan stays


def replan(actor: Actor, depot: Depot) -> Replanned:
    """Plan one depot from today on, within seconds; what is locked, promised or near stays.

    Raises
    ------
    Forbidden
        The person may not release orders there.
    Taken
        Somebody is planning it anew just now.
    """
    actor.must(Right.RELEASE, depot)
    old = newest(depot)
    before = plan_row(old) if old else None
    days_before = _days(old)
    today = today_at(depot.zone, actor.now)
    with ledger.work(JOB, today, depot.slug, again=True) as run:
        late, told = safety_clock(NOW_S), partial(ledger.renew, run)
        (found,) = plan([depot.pk], today, late=late, told=told)
    same = old is not None and found.pk == old.pk
    if not same:
        note(actor, depot, "planned anew")
    days = _days(found)
    moved = sum(days[pair] != on for pair, on in days_before.items() if pair in days)
    return Replanned(found, before, plan_row(found), moved, same)


def how_far(depot: Depot) -> float | None:
    """The share of planning anew that is done, as whoever waits may ask; None: nobody is at it."""
    running = Run.objects.filter(job=JOB, part=depot.slug, state=Run.State.RUNNING)
    return running.order_by("-on").values_list("progress_share", flat=True).first()


def _days(found: Plan | None) -> dict[tuple[int, int], object]:
    if found is None:
        return {}
    rows = found.services.values_list("vehicle", PLANNED_KEY, "visit__on")
    return {(vehicle, key): on for vehicle, key, on in rows}
