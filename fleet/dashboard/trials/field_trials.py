"""Field trials: those that run, those that ended, and how to begin another."""

from datetime import date
from typing import TypeVar

from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse, QueryDict
from django.shortcuts import redirect
from django.utils import timezone
from django.views.decorators.http import require_GET

from fleet.dashboard.acts import act
from fleet.dashboard.frame import Scope, SignedIn, needs, scope_of, show
from fleet.dashboard.orders.changes import read_number
from fleet.dashboard.trials.lines import trial_lines
from fleet.dashboard.whole_numbers import whole_number
from fleet.due.models import Service
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.people.roles import Right, may
from fleet.stores.models import Product
from fleet.trials.assign import assign
from fleet.trials.blind import knows_products, rates_own, trials_at
from fleet.trials.evaluate import evaluate
from fleet.trials.listing import may_take_part, services_to_try
from fleet.trials.models import Trial
from fleet.trials.set_up import QUESTION, Costs, SetUp, set_up
from fleet.vehicles.models import Vehicle

Chosen = TypeVar("Chosen", Service, Product)


@require_GET
def field_trials(request: SignedIn) -> HttpResponse:
    return _page(request, {})


def _page(request: SignedIn, posted: QueryDict | dict[str, str]) -> HttpResponse:
    scope, now = scope_of(request), timezone.now()
    chosen = [depot for depot in scope.depots if depot.slug in scope.slugs]
    trials = list(trials_at(chosen).select_related("service__vehicle_type"))
    knows = {trial.pk for trial in trials if knows_products(request.user, trial, now)}
    context = {
        "lines": trial_lines(trials, now, knows),
        "may_rate": any(rates_own(request.user, trial) for trial in trials),
        "rates_own": {trial.pk for trial in trials if rates_own(request.user, trial)},
        "may_set_up": may(request.user, Right.RUN_TRIAL),
        "today": scope.today,
        "posted": posted,  # what was refused, to be mended
        **(_choices() if may(request.user, Right.RUN_TRIAL) else {}),
    }
    return show(request, "field-trials", scope, context)


def _choices() -> dict[str, object]:
    return {
        "services": services_to_try(),
        "products": Product.objects.all(),
        "question": QUESTION,
    }


def _refused(request: SignedIn, fault: Fault) -> HttpResponse:
    messages.error(request, str(fault))
    return _page(request, request.POST)


@needs(Right.RUN_TRIAL)
@act("field-trials", refused=_refused)
def set_up_trial(request: SignedIn, actor: Actor) -> HttpResponse:
    """Begin a trial: say how many vehicles it needs, draw the groups, evaluate once."""
    with transaction.atomic():
        trial = set_up(actor, _given(request.POST))
        drawn = assign(
            actor,
            trial,
            _vehicles(request, trial, scope_of(request)),
            few_because=request.POST.get("few_because", "")[:200],
        )
    evaluate(trial, actor.now)
    left = f" Left over, without a counterpart: {', '.join(drawn.left_over)}."
    messages.success(
        request,
        f"{trial} is set up with {drawn.vehicles} vehicles.{left if drawn.left_over else ''} "
        "Change each one's fluid to its own product now.",
    )
    return redirect("field-trial", trial.slug)


def _given(posted: QueryDict) -> SetUp:
    return SetUp(
        name=posted.get("name", "")[:80],
        service=_row(Service, posted.get("service", ""), "service"),
        usual=_row(Product, posted.get("usual", ""), "product"),
        tried=_row(Product, posted.get("tried", ""), "product"),
        usual_price_minor_per_l=_minor(posted, "usual_price"),
        tried_price_minor_per_l=_minor(posted, "tried_price"),
        starts_on=_day(posted, "starts_on"),
        ends_on=_day(posted, "ends_on"),
        source=posted.get("source", "")[:300],
        costs=Costs(*(_minor(posted, name) for name in ("labour", "materials", "visit"))),
        pairs=_pairs(posted.get("assignment", "")),
        question=posted.get("question", "")[:120],
        proposed_interval_km=read_number(posted.get("proposed_km", ""), "proposed interval")
        if posted.get("proposed_km", "").strip()
        else None,
        smallest_difference=read_number(posted.get("difference", "1"), "smallest difference"),
    )


def _pairs(assignment: str) -> bool:
    if assignment not in Trial.Assignment.values:
        raise Fault("Say how the groups are drawn: at random, or in matched pairs.")
    return assignment == Trial.Assignment.PAIRS


def _row(kind: type[Chosen], pk: str, what: str) -> Chosen:
    found = kind._default_manager.filter(pk=whole_number(pk)).first()
    if found is None:
        raise Fault(f"Choose a {what} from the list.")
    return found


def _minor(posted: QueryDict, name: str) -> int:
    text = posted.get(name, "").strip()
    value = round(100 * read_number(text, name.replace("_", " "))) if text else 0
    if not 0 <= value < 10**9:
        raise Fault(f"The {name.replace('_', ' ')} is a price such as 12.50.")
    return value


def _day(posted: QueryDict, name: str) -> date:
    try:
        return date.fromisoformat(posted.get(name, ""))
    except ValueError:
        raise Fault("Say on which days the trial starts and ends.") from None


def _vehicles(request: SignedIn, trial: Trial, scope: Scope) -> list[Vehicle]:
    """The fleet numbers that were named, or every vehicle of the type in one's depots."""
    named = [word for word in request.POST.get("vehicles", "").replace(",", " ").split() if word]
    if not named:
        return list(may_take_part(trial.service, scope.depots))
    seen = Vehicle.objects.filter(depot__in=scope.depots).select_related("vehicle_type")
    found = list(seen.filter(fleet_number__in=named))
    unknown = sorted(set(named) - {one.fleet_number for one in found})
    if unknown:
        raise Fault(f"There is no vehicle {unknown[0]} within your depots.")
    return found
