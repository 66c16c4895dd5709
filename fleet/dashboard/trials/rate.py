"""Rating on a phone in three taps: the vehicle, the weather, the grade."""

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from fleet.dashboard.acts import act
from fleet.dashboard.frame import SignedIn, scope_of, show
from fleet.dashboard.orders.changes import read_date
from fleet.dashboard.trials.field_trial import trial_seen_by
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.people.roles import Right, depots_of, may
from fleet.readings.enter import noon_at
from fleet.today import today_at
from fleet.trials.blind import rates_own, to_rate
from fleet.trials.models import Rating, Trial
from fleet.trials.rate import Felt
from fleet.trials.rate import rate as record

TYPED = ("client_key", "vehicle", "by", "rated_on", "warmth", "value")
GRADES = ((5, "very well"), (4, "well"), (3, "fair"), (2, "badly"), (1, "very badly"))


@require_http_methods(["GET", "POST"])
def rate(request: SignedIn, slug: str) -> HttpResponse:
    trial = trial_seen_by(request, slug)
    if not may(request.user, Right.RATE):
        raise PermissionDenied("Mechanics, clerks, engineers and supervisors rate.")
    if request.method == "POST":
        return _record(request, slug=slug)
    return _form(request, trial)


def _form(request: SignedIn, trial: Trial, question: str = "") -> HttpResponse:
    """Their own rating; whoever knows the products enters what a driver says."""
    here = trial.vehicles.filter(vehicle__depot__in=depots_of(request.user))
    own = rates_own(request.user, trial)
    mine = to_rate(request.user, trial).filter(pk__in=here) if own else here
    places = list(mine.select_related("vehicle"))
    scope = scope_of(request)
    context = {
        "trial": trial,
        "places": places,
        "rates_own": own,
        "left_out": here.count() - len(places),
        "warmths": Rating.Warmth.choices,
        "grades": GRADES,
        "chosen": request.GET.get("vehicle", ""),
        "warmth": request.GET.get("warmth", ""),
        "today": scope.today,
        "question": question,
        "typed": [(name, request.POST.get(name, "")) for name in TYPED if name in request.POST],
    }
    return show(request, "rate", scope, context)


def _again(request: SignedIn, slug: str) -> HttpResponse:
    return redirect("rate", slug)


def _asked(request: SignedIn, fault: Fault, slug: str) -> HttpResponse:
    return _form(request, trial_seen_by(request, slug), str(fault))


@act(_again, asked=_asked)
def _record(request: SignedIn, actor: Actor, slug: str) -> HttpResponse:
    posted, trial = request.POST, trial_seen_by(request, slug)
    places = trial.vehicles.select_related("vehicle__depot", "trial__service")
    seen = places.filter(vehicle__depot__in=depots_of(request.user))
    place = seen.filter(vehicle__fleet_number=posted.get("vehicle", "")).first()
    grade, key = posted.get("value", ""), posted.get("client_key", "")[:64]
    if place is None:
        raise Fault("Choose the vehicle first, then the grade.")
    if grade not in {str(value) for value, _ in GRADES} or len(key) < 8:
        raise Fault("Tap a grade from 1 to 5.")
    warmth, zone = posted.get("warmth", ""), place.vehicle.depot.zone
    on = read_date(posted, "rated_on")
    earlier = on is not None and on != today_at(zone, actor.now)
    felt = Felt(
        trial_vehicle=place,
        value=int(grade),
        rated_at=noon_at(on, zone) if on and earlier else actor.now,
        client_key=key,
        warmth=warmth,
        by=posted.get("by", "").strip(),
        corrects=posted.get("corrects") == "yes",
    )
    record(actor, [felt])
    messages.success(request, f"{place.vehicle} rated {grade}. Thank you.")
    return redirect(f"{reverse('rate', args=[slug])}?warmth={warmth}")
