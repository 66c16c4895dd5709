"""Minutes of services, learnt from finished jobs. Expected figures are worked out by hand."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

import pytest

from fleet.calc.labour import Labour, learn
from fleet.due.models import Service
from fleet.visits import plan as plans
from fleet.visits.labour import labour
from fleet.visits.listing import service_rows
from fleet.workorders.models import Job, Procedure, Step, WorkOrder
from tests import scene
from tests.visits.depot import TODAY, due

DAY_BEFORE = TODAY - timedelta(days=1)
FIVE = (80, 100, 90, 70, 90)  # their median is 90


# --- arithmetic ----------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("recorded_min", "minutes", "jobs", "set_aside"),
    [
        ((), 60, 0, 0),
        (FIVE[:4], 60, 0, 0),  # too few
        (FIVE, 75, 5, 0),  # (5·90 + 5·60) / 10
        ((*FIVE, 181), 75, 5, 1),  # above 3·60
        ((*FIVE, 19, 0), 75, 5, 2),  # below 60 / 3
        ((*FIVE, 180), 75, 6, 0),  # median 90: (6·90 + 300) / 11 = 76.4
        ((*FIVE, 20), 75, 6, 0),  # median (80 + 90) / 2 = 85: (6·85 + 300) / 11 = 73.6
        ((90,) * 95, 90, 95, 0),  # (95·90 + 300) / 100 = 88.5
        ((65,) * 5, 65, 5, 0),  # 62.5, half a step upwards
        ((400,) * 5, 60, 0, 5),
    ],
)
def test_the_median_is_shrunk_to_the_book(
    recorded_min: Sequence[float], minutes: int, jobs: int, set_aside: int
) -> None:
    assert learn(60, recorded_min) == Labour(minutes, 60, jobs, set_aside)


def test_a_short_service_keeps_a_step() -> None:
    assert learn(2, (2,) * 5).minutes == 5


# --- records -------------------------------------------------------------------------------
@pytest.fixture
def gearbox() -> Service:
    service = scene.service("gearbox", duty_class="severe")
    Procedure.objects.create(
        service=service, family="level plug", edition="1", source="invented", minutes=60
    )
    return service


def worked(
    service: Service,
    minutes: float,
    on: date = DAY_BEFORE,
    beside: int = 0,
    job_state: str = Job.State.DONE,
    **changes: object,
) -> WorkOrder:
    """An order with this job, begun at eight; so many other jobs are done on it, too."""
    number = f"W-{WorkOrder.objects.count() + 1}"
    begun = datetime(on.year, on.month, on.day, 8, tzinfo=UTC)
    of: dict[str, object] = {
        "number": number,
        "vehicle": scene.van(f"old-{number}"),
        "depot": scene.depot(),
        "state": WorkOrder.State.SIGNED_OFF,
        "started_at": begun,
        "finished_at": begun + timedelta(minutes=minutes),
    }
    order = WorkOrder.objects.create(**of | changes)
    rows = [Job(service=service, title="oil", minutes=60, state=job_state)]
    rows += [Job(title="lamp", state=Job.State.DONE) for _ in range(beside)]
    for row in rows:
        row.order, row.vehicle = order, order.vehicle
        row.save()
    return order


def of(service: Service, today: date = TODAY) -> Labour:
    return labour(scene.depot(), [service.pk], today)[service.pk]


@pytest.mark.django_db
def test_minutes_are_learnt_from_five_jobs_on_and_planned_with(gearbox: Service) -> None:
    for minutes in FIVE[:4]:
        worked(gearbox, minutes)
    assert of(gearbox) == Labour(60, 60)
    worked(gearbox, FIVE[4], state=WorkOrder.State.FINISHED)
    assert of(gearbox) == Labour(75, 60, jobs=5)
    van = scene.van("V-1")
    due(van, gearbox, 10)
    (plan,) = plans.plan([scene.depot().pk], TODAY)
    (row,) = [one for one in service_rows(plan) if one.vehicle == "V-1"]
    assert (row.work_min, row.work_jobs) == (75, 5)
    assert plan.visits.get().work_min == 75 + 20  # and the usual set-up


@pytest.mark.django_db
def test_a_job_on_an_order_takes_what_was_learnt(gearbox: Service) -> None:
    for minutes in FIVE:
        worked(gearbox, minutes)
    worked(
        gearbox, 0, job_state=Job.State.OPEN, state=WorkOrder.State.RELEASED, started_at=None,
        finished_at=None, planned_on=TODAY + timedelta(days=2),
    )  # fmt: skip
    (plan,) = plans.plan([scene.depot().pk], TODAY)
    assert plan.visits.get().work_min == 75 + 20


@pytest.mark.django_db
def test_waits_are_no_work(gearbox: Service) -> None:
    Step.objects.create(
        procedure=gearbox.procedure, number=1, kind=Step.Kind.WAIT, text="Wait.", wait_min=10
    )
    for minutes in FIVE:
        worked(gearbox, minutes + 40, waited_s=30 * 60)
    assert of(gearbox) == Labour(75, 60, jobs=5)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("why", "changes"),
    [
        ("another job", {"beside": 1}),
        ("not done", {"job_state": Job.State.PART_DONE}),
        ("not ended", {"state": WorkOrder.State.STARTED}),
        ("outside", {"where": WorkOrder.Where.OUTSIDE}),
        ("nobody said when it began", {"started_at": None}),
        ("today", {"on": TODAY}),
        ("long ago", {"on": TODAY - timedelta(days=731)}),
        ("over a night", {"started_at": datetime(2026, 6, 13, 23, 50, tzinfo=UTC),
                          "finished_at": datetime(2026, 6, 14, 1, 10, tzinfo=UTC)}),
    ],
)  # fmt: skip
def test_what_tells_nothing_is_left_out(
    gearbox: Service, why: str, changes: dict[str, object]
) -> None:
    for minutes in FIVE[:4]:
        worked(gearbox, minutes)
    worked(gearbox, 80, **changes)
    assert of(gearbox) == Labour(60, 60), why


@pytest.mark.django_db
def test_each_depot_and_each_service_learns_by_itself(gearbox: Service) -> None:
    other, engine = scene.depot("other"), scene.service("engine", duty_class="severe")
    for minutes in FIVE:
        worked(gearbox, minutes)
    assert labour(other, [gearbox.pk, engine.pk], TODAY) == {
        gearbox.pk: Labour(60, 60),
        engine.pk: Labour(30, 30),  # no procedure, and so the usual
    }


@pytest.mark.django_db
def test_days_are_those_of_the_depot(gearbox: Service) -> None:
    depot = scene.depot()
    depot.zone = "Asia/Tokyo"  # nine hours ahead: 8:00 UTC is 17:00 there
    depot.save()
    for minutes in FIVE:
        worked(gearbox, minutes)
    assert of(gearbox) == Labour(75, 60, jobs=5)
    WorkOrder.objects.update(started_at=datetime(2026, 6, 14, 14, 30, tzinfo=UTC),
                             finished_at=datetime(2026, 6, 14, 15, 30, tzinfo=UTC))  # fmt: skip
    assert of(gearbox, TODAY + timedelta(days=5)) == Labour(60, 60)  # over midnight there
