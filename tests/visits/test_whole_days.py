"""Every published day holds its visits whole: added up from the rows, apart from the program's own
check."""

from collections import defaultdict
from datetime import datetime, timedelta

import pytest

from fleet.due.models import Service
from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.vehicles.models import Closure
from fleet.visits import plan as plans
from fleet.visits.models import Absence, Bay, Mechanic, Plan, ServiceNeed, Visit, Workshop
from fleet.visits.publish import publish
from fleet.workorders.models import Job, Procedure, WorkOrder
from tests import scene
from tests.cast import person
from tests.visits.depot import TODAY, fleet

pytestmark = pytest.mark.django_db
ADA_MIN, OTTO_MIN, OPEN_MIN, SET_UP_MIN = 420, 240, 480, 20
GEARBOX_MIN, ENGINE_MIN = 110, 45


def busy_depot() -> Plan:
    """Sixteen vans that want the first days, half of them for gearbox oil too; only Ada does
    gearboxes, Otto is away on Tuesday, and Thursday is closed."""
    fleet({f"V-{at:02}": (300 if at % 2 else at % 5, 2 + at % 7) for at in range(16)})
    depot = scene.depot()
    for slug, minutes in (("gearbox-oil", GEARBOX_MIN), ("engine-oil", ENGINE_MIN)):
        service = Service.objects.get(slug=slug)
        Procedure.objects.create(
            service=service, family="other", minutes=minutes, source="invented", edition="1"
        )
    gearbox = Service.objects.get(slug="gearbox-oil")
    ServiceNeed.objects.create(service=gearbox, skills=["gearboxes"], source="invented")
    for name in ("Lift 1", "Lift 2"):
        Bay.objects.create(depot=depot, name=name, source="invented")
    given = {"depot": depot, "source": "invented"}
    Mechanic.objects.create(name="Ada", minutes=ADA_MIN, skills=["gearboxes"], **given)
    otto = Mechanic.objects.create(name="Otto", minutes=OTTO_MIN, **given)
    tuesday, thursday = TODAY + timedelta(days=1), TODAY + timedelta(days=3)
    Absence.objects.create(mechanic=otto, from_on=tuesday, until_on=tuesday)
    Closure.objects.create(depot=depot, on=thursday, note="stocktaking")
    (made,) = plans.plan([depot.pk], TODAY)
    return made


def takes(visit: Visit) -> int:
    """Minutes of a visit by the book, by hand from its services."""
    of = {"gearbox-oil": GEARBOX_MIN, "engine-oil": ENGINE_MIN}
    return SET_UP_MIN + sum(of[one.service.slug] for one in visit.services.all() if one.service)


def test_every_published_day_holds_its_visits_whole() -> None:
    made = busy_depot()
    now = datetime.fromisoformat(f"{TODAY}T08:00+00:00")
    chief = Actor(person("Sura", Role.SUPERVISOR, scene.depot()), "page", now)
    visits = list(made.visits.order_by("on", "vehicle").prefetch_related("services__service"))
    told = publish(chief, made.pk, visit_ids=[one.pk for one in visits])
    assert [one.refusal for one in told if one.refusal] == []
    assert not Visit.objects.exclude(unfit="").exists()
    orders = {*WorkOrder.objects.values_list("vehicle", "planned_on")}
    bays: dict[tuple[object, str], int] = defaultdict(int)
    hands: dict[tuple[object, str], int] = defaultdict(int)
    for one in visits:
        on = one.on
        assert (one.vehicle_id, on) in orders
        assert on.weekday() < 5
        assert on != TODAY + timedelta(days=3)
        assert one.minutes == one.work_min == takes(one)
        bays[on, one.bay] += takes(one)
        hands[on, one.mechanic] += takes(one)
        if one.mechanic != "Ada":
            slugs = {each.service.slug for each in one.services.all() if each.service}
            assert slugs == {"engine-oil"}
    assert {bay for _, bay in bays} <= {"Lift 1", "Lift 2"}
    assert {who for _, who in hands} == {"Ada", "Otto"}
    assert max(bays.values()) <= OPEN_MIN
    assert max(used for (_, who), used in hands.items() if who == "Ada") <= ADA_MIN
    assert max(used for (_, who), used in hands.items() if who == "Otto") <= OTTO_MIN
    assert (TODAY + timedelta(days=1), "Otto") not in hands
    by_day: dict[object, int] = defaultdict(int)
    for (on, _), used in hands.items():
        by_day[on] += used
    # of all who are there, the plan leaves the share that is kept
    kept = Workshop.of(scene.depot()).kept_share
    assert max(by_day.values()) <= (1 - kept) * (ADA_MIN + OTTO_MIN)
    assert by_day[TODAY] > 0.5 * (1 - kept) * (ADA_MIN + OTTO_MIN)  # the days are full


def test_two_orders_of_one_vehicle_on_a_day_are_set_up_once() -> None:
    """By hand: 110 + 45 + one set-up of 20 minutes are Ada's whole day of 175 minutes."""
    (van,) = fleet({"V-1": (10, 10)})
    depot = scene.depot()
    Mechanic.objects.create(
        depot=depot, name="Ada", minutes=GEARBOX_MIN + ENGINE_MIN + SET_UP_MIN, source="invented"
    )
    for slug, minutes in (("gearbox-oil", GEARBOX_MIN), ("engine-oil", ENGINE_MIN)):
        order = WorkOrder.objects.create(
            number=f"WO-{slug}", vehicle=van, depot=depot, planned_on=TODAY + timedelta(days=2)
        )
        service = Service.objects.get(slug=slug)
        Job.objects.create(order=order, vehicle=van, service=service, title="Oil", minutes=minutes)
    (made,) = plans.plan([depot.pk], TODAY)
    visit = made.visits.get()
    assert (visit.unfit, visit.work_min) == ("", GEARBOX_MIN + ENGINE_MIN + SET_UP_MIN)
    assert visit.mechanic == "Ada"
