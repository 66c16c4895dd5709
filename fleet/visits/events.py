"""The one row of history that each change of a plan by a person leaves, and the newest of them."""

from fleet.people.actor import Actor
from fleet.vehicles.models import Depot
from fleet.visits.models import PlanEvent

SHOWN = 8  # our choice


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
    rows = PlanEvent.objects.filter(depot=depot).select_related("vehicle", "person")
    return list(rows.order_by("-id")[:SHOWN])
