"""A depot with planned days, as the pages about them are tried."""

from datetime import date, timedelta
from html import unescape

from django.test import Client

from fleet.due.models import Service
from fleet.visits import plan as plans
from fleet.visits.models import Bay, Mechanic, Plan, Visit
from fleet.workorders.models import Job, WorkOrder
from tests.cast import Cast, depots_day, oil_change
from tests.dashboard.rendered import page
from tests.visits.depot import due_on

PAGE = "/workshop-days?depot=plain"


def monday() -> date:
    """The Monday of the week after next, on which somebody is there."""
    return depots_day() + timedelta(days=14 - depots_day().weekday())


def planned_days(people: Cast, service: Service | None = None) -> Plan:
    """Two vans of one depot, one of them with a drafted order; two bays, one mechanic."""
    service = service or oil_change(people)
    for van in (people.van, people.second_van, people.hill_van):
        due_on(van, service, monday(), 10, 0)
    order = WorkOrder.objects.create(number="W-1", vehicle=people.van, depot=people.plain)
    Job.objects.create(order=order, vehicle=people.van, service=service, title="Oil", minutes=30)
    for name in ("Lift 1", "Lift 2"):
        Bay.objects.create(depot=people.plain, name=name, source="invented")
    Mechanic.objects.create(
        depot=people.plain, name="M. Fernholt", person=people.mechanic, source="invented"
    )
    plans.plan([people.hill.pk], depots_day())
    (made,) = plans.plan([people.plain.pk], depots_day())
    return made


def visit_of(number: str) -> Visit:
    return Visit.objects.filter(vehicle__fleet_number=number).latest("plan_id")


def at(number: str) -> str:
    return f"/workshop-days/visits/{visit_of(number).pk}"


def told(answer: object) -> str:
    return unescape(getattr(answer, "content", b"").decode())


def follow(client: Client, answer: object) -> str:
    """The page that an act leads to."""
    assert getattr(answer, "status_code", 0) == 302
    return unescape(page(client, answer["Location"]))  # type: ignore[index]
