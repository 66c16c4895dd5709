"""What every change of work has in common: who acts and when, and the version that was seen."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from django.db.models import QuerySet
from django.utils import timezone
from django.utils.http import parse_etags
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.etags import if_match
from fleet.api.fields import Instant, Strict, Text
from fleet.api.resource import one_or_404
from fleet.api.signin import caller, depots_for
from fleet.due.models import Service
from fleet.faults import Stale
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.people.roles import Right, who_may
from fleet.vehicles.models import Compartment, Depot, Vehicle
from fleet.workorders.models import Job, WorkOrder
from fleet.workorders.progress import locked

OLDEST = timedelta(days=60)  # a phone that was offline for longer is not believed; our choice


class Past(Instant):
    """When something was done; whether it lies ahead is for the verb to say."""

    def to_internal_value(self, value: Any) -> datetime:
        at = super().to_internal_value(value)
        if at < timezone.now() - OLDEST:
            raise serializers.ValidationError(
                f"{at:%Y-%m-%d} is more than {OLDEST.days} days ago: enter papers of outside work, "
                "or leave performed_at out.",
                code="too_old",
            )
        return at


class Happened(Past):
    """The same by the clock of a phone, offline perhaps: one that runs ahead is not believed."""

    def to_internal_value(self, value: Any) -> datetime:
        return min(super().to_internal_value(value), timezone.now())


class Act(Strict):
    """The body of a change that says nothing but, perhaps, when it happened."""

    performed_at: Past = Happened(
        required=False, help_text="By default now; at most 60 days ago, and never ahead"
    )


class Record(Act):
    """The body of an added row: sent twice under its key, it is there once."""

    client_key = Text(
        min_length=8, max_length=64, help_text="Made by the sender, its own for every record"
    )


def sender(request: Request, given: Mapping[str, Any]) -> Actor:
    """Who acts; takes ``performed_at`` out of what was given."""
    return Actor(caller(request), "api", timezone.now(), given.get("performed_at"))


def depots_asked(request: Request, asked: Mapping[str, Any]) -> QuerySet[Depot]:
    """The depots that a call reaches, or the one of them that it names."""
    depots = depots_for(request)
    return depots.filter(slug=asked["depot"]) if "depot" in asked else depots


def rest(given: Mapping[str, Any]) -> dict[str, Any]:
    """What was given, without the instant, which the actor carries."""
    return {name: value for name, value in given.items() if name != "performed_at"}


# --- orders and jobs -----------------------------------------------------------------------
def order_id_or_404(request: Request, number: str) -> int:
    seen = WorkOrder.objects.filter(depot__in=depots_for(request))
    found = seen.filter(number=as_number(number)).values_list("pk", flat=True)
    return int(one_or_404(found, f"There is no work order {number[:20]} within your depots."))


def as_number(typed: str) -> str:
    """An order's number as it is stored, which the index finds."""
    return typed.replace("\0", "").strip().upper()


def job_or_404(request: Request, job_id: int) -> Job:
    seen = Job.objects.filter(order__depot__in=depots_for(request))
    found = seen.select_related("order", "vehicle", "service").filter(pk=job_id)
    return one_or_404(found, f"There is no job {job_id} within your depots.")


def version_tag(version: int) -> str:
    """The entity tag of an order at a version; nothing of an order changes without another."""
    return f'"{version}"'


def seen_version(request: Request, order_id: int) -> int:
    """The version of an order, held until the transaction ends, if the caller has seen it.

    Raises
    ------
    Stale
        It was changed since.
    """
    given = if_match(request)
    order = locked(order_id)
    if given != "*" and version_tag(order.version) not in parse_etags(given):
        raise Stale(
            f"{order} was changed meanwhile: it is {order.state} at version {order.version}. "
            "Fetch it again, then decide."
        )
    return order.version


def with_tag(response: Response) -> Response:
    response["ETag"] = version_tag(response.data["version"])
    return response


# --- what a body names ---------------------------------------------------------------------
def wrong(name: str, sentence: str) -> serializers.ValidationError:
    return serializers.ValidationError({name: [sentence]}, code="unknown")


def services_named(vehicle: Vehicle, slugs: list[str], name: str = "services") -> list[Service]:
    found = {row.slug: row for row in Service.objects.filter(vehicle_type=vehicle.vehicle_type_id)}
    if unknown := [slug for slug in slugs if slug not in found]:
        known = ", ".join(sorted(found)) or "none"
        raise wrong(name, f"{vehicle} has no service {unknown[0]}; it has {known}.")
    return [found[slug] for slug in dict.fromkeys(slugs)]


def compartment_named(vehicle: Vehicle, slug: str | None) -> Compartment | None:
    if not slug:
        return None
    places = Compartment.objects.filter(vehicle_type=vehicle.vehicle_type_id)
    found = places.filter(slug=slug).first()
    if found is None:
        raise wrong("compartment", f"{vehicle} has no compartment {slug}.")
    return found


def person_named(username: str | None, right: Right, depot_id: int, name: str) -> Person | None:
    """A person of a depot with a right there."""
    if username is None:
        return None
    found = who_may(right, depot_id, username=username)
    if found is None:
        raise wrong(name, f"{username} is nobody of this depot who may {right}.")
    return found
