"""The one row of history that each change of a plan by a person leaves, and the newest of them."""

from django.conf import settings
from django.db import models

from fleet.people.actor import Actor
from fleet.reads import Rows, prepared
from fleet.vehicles.models import Depot, Vehicle

SHOWN = 8  # our choice


class PlanEvent(models.Model):
    """What a person did to the plan of a depot: who, when, by which channel. Never changed."""

    depot = models.ForeignKey(Depot, models.CASCADE, related_name="plan_events")
    vehicle = models.ForeignKey(Vehicle, models.CASCADE, null=True, related_name="+")
    what = models.CharField(max_length=24)  # moved, locked, unlocked, published, planned anew
    from_on = models.DateField(null=True)
    to_on = models.DateField(null=True)
    detail = models.CharField(max_length=200, blank=True)
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    channel = models.CharField(max_length=12)
    performed_at = models.DateTimeField()

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"{self.depot}: {self.what} {self.vehicle or ''}".strip()


def note(actor: Actor, depot: Depot | int, what: str, **more: object) -> PlanEvent:
    """Write the one row of history that a change of a plan leaves."""
    depot_id = depot.pk if isinstance(depot, Depot) else depot
    return PlanEvent.objects.create(
        depot_id=depot_id,
        what=what,
        person=actor.person,
        channel=actor.channel,
        performed_at=actor.at,
        **more,
    )


def newest_events(depot: Depot) -> list[PlanEvent]:
    """What people did to the plans of a depot lately, newest first; one query."""
    return list(_newest(depot.pk))


@prepared
def _newest(depot_id: int) -> Rows:
    rows = PlanEvent.objects.filter(depot=depot_id).select_related("vehicle", "person")
    return rows.order_by("-id")[:SHOWN]
