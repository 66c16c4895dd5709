"""Rating on a phone in three taps: the vehicle, the weather, the grade."""

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from fleet.dashboard.frame import SignedIn, scope_of, show
from fleet.dashboard.views.field_trial import trial_seen_by
from fleet.faults import Fault, Forbidden
from fleet.people.actor import Actor
from fleet.people.roles import Right, depots_of, may
from fleet.trials.models import Rating, Trial
from fleet.trials.rate import Felt
from fleet.trials.rate import rate as record

GRADES = ((5, "very well"), (4, "well"), (3, "fair"), (2, "badly"), (1, "very badly"))


@require_http_methods(["GET", "POST"])
def rate(request: SignedIn, slug: str) -> HttpResponse:
    trial = trial_seen_by(request, slug)
    if not may(request.user, Right.RATE):
        raise PermissionDenied("Mechanics, clerks, engineers and supervisors rate.")
    if request.method == "POST":
        return _record(request, trial)
    places = trial.vehicles.select_related("vehicle", "group")
    context = {
        "trial": trial,
        "places": places.filter(vehicle__depot__in=depots_of(request.user)),
        "warmths": Rating.Warmth.choices,
        "grades": GRADES,
        "chosen": request.GET.get("vehicle", ""),
        "warmth": request.GET.get("warmth", ""),
    }
    return show(request, "rate", scope_of(request), context)


def _record(request: SignedIn, trial: Trial) -> HttpResponse:
    posted, now = request.POST, timezone.now()
    places = trial.vehicles.select_related("vehicle", "trial__service")
    seen = places.filter(vehicle__depot__in=depots_of(request.user))
    place = seen.filter(vehicle__fleet_number=posted.get("vehicle", "")).first()
    grade, key = posted.get("value", ""), posted.get("client_key", "")[:64]
    try:
        if place is None:
            raise Fault("Choose the vehicle first, then the grade.")
        if grade not in {str(value) for value, _ in GRADES} or len(key) < 8:
            raise Fault("Tap a grade from 1 to 5.")
        felt = Felt(place, int(grade), now, key, warmth=posted.get("warmth", ""))
        record(Actor(request.user, "page", now), [felt])
    except Forbidden as fault:
        raise PermissionDenied(str(fault)) from fault
    except Fault as fault:
        messages.error(request, str(fault))
        return redirect("rate", trial.slug)
    messages.success(request, f"{place.vehicle} rated {grade}. Thank you.")
    warmth = posted.get("warmth", "")
    return redirect(f"{reverse('rate', args=[trial.slug])}?warmth={warmth}")
