"""The calendar of a depot's published days: its secret address, and what is found there."""

from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from fleet.dashboard.acts import act
from fleet.dashboard.frame import SignedIn, needs, vehicle_seen_by
from fleet.dashboard.visits.workshop_days import days_of, depot_named
from fleet.people.actor import Actor
from fleet.people.roles import Right, depots_of
from fleet.today import today_at
from fleet.visits import calendar_feed
from fleet.visits.models import CalendarFeed


@needs(Right.RELEASE)
@act("workshop-days")
def make_calendar(request: SignedIn, actor: Actor) -> HttpResponse:
    """Make an address of a depot, or of a vehicle, and show it, once."""
    number = request.POST.get("vehicle", "")
    vehicle = vehicle_seen_by(request.user, number) if number else None
    depot = vehicle.depot if vehicle else depot_named(request, request.POST.get("depot", ""))
    feed, secret = calendar_feed.open_feed(actor, depot, vehicle)
    address = request.build_absolute_uri(reverse("depot-calendar", args=[secret]))
    messages.success(request, f"The address, shown this once: {address}")
    return _shown_at(feed)


def _shown_at(feed: CalendarFeed) -> HttpResponse:
    if feed.vehicle is None:
        return redirect(days_of(feed.depot))
    return redirect(f"{reverse('vehicle', args=[feed.vehicle.fleet_number])}#said")


@needs(Right.RELEASE)
@act("workshop-days")
def end_calendar(request: SignedIn, actor: Actor, feed_id: int) -> HttpResponse:
    """End an address for good."""
    feed = calendar_feed.feeds_at(depots_of(request.user)).filter(pk=feed_id).first()
    if feed is None:
        raise Http404
    ended = calendar_feed.revoke(actor, feed)
    messages.success(request, "The address is ended." if ended else "It was ended before.")
    return _shown_at(feed)


@login_not_required
@never_cache
@require_safe
def depot_calendar(request: HttpRequest, secret: str) -> HttpResponse:
    """The calendar, for whoever knows the address."""
    feed = calendar_feed.find(secret)
    if feed is None:
        raise Http404
    today = today_at(feed.depot.zone, timezone.now())
    text = calendar_feed.calendar(feed.depot, today, feed.vehicle)
    return HttpResponse(text, content_type="text/calendar; charset=utf-8")
