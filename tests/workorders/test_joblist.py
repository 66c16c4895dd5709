"""An order by hand has what was chosen; jobs are added and taken off later, one event each."""

import pytest

from fleet.due.models import Service
from fleet.faults import Fault, Forbidden, Refused
from fleet.workorders import findings, issue, joblist, progress, recording
from fleet.workorders.findings import Report
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import Job, WorkOrder
from tests import scene
from tests.kept import kept
from tests.workorders.conftest import Bay


@kept
def coolant(bay: Bay) -> Service:
    """Another service of the van, long in its early window."""
    return scene.service("engine", km=5_000, months=None)


def titles(order: WorkOrder) -> set[str]:
    return set(order.jobs.exclude(state=Job.State.DROPPED).values_list("title", flat=True))


def events(order: WorkOrder) -> list[str]:
    return list(order.events.order_by("pk").values_list("what", flat=True))


def add(bay: Bay, order: WorkOrder, *services: Service, **given: object) -> WorkOrder:
    ids = [service.pk for service in services]
    return joblist.add_jobs(bay.actor(), order.pk, service_ids=ids, **given)


def test_nothing_joins_an_order_unasked(bay: Bay, coolant: Service) -> None:
    assert titles(bay.order()) == {bay.oil.name}


def test_a_service_and_other_work_are_added_with_one_event(bay: Bay, coolant: Service) -> None:
    order = add(bay, bay.order(), coolant, other_work=[("Mirror", 15)], reason="while it is here")
    assert titles(order) == {bay.oil.name, coolant.name, "Mirror"}
    assert events(order) == ["draft", "add jobs"]
    event = order.events.latest("pk")
    assert event.reason == f"{coolant.name}, Mirror: while it is here"
    assert order.version == 2


def test_a_started_order_takes_more_and_a_finished_one_does_not(bay: Bay, coolant: Service) -> None:
    order = bay.order()
    progress.release(bay.actor(), order.pk)
    progress.start(bay.actor(bay.mechanic), order.pk)
    add(bay, order, coolant)
    WorkOrder.objects.filter(pk=order.pk).update(state="finished")
    with pytest.raises(Refused):
        add(bay, order, other_work=[("Mirror", 15)])


def test_what_cannot_be_added_is_told(bay: Bay, coolant: Service) -> None:
    order = bay.order()
    with pytest.raises(Fault, match="Choose a service"):
        add(bay, order)
    with pytest.raises(Refused, match="already"):
        add(bay, order, bay.oil)
    with pytest.raises(Forbidden):
        joblist.add_jobs(bay.actor(bay.mechanic), order.pk, service_ids=[coolant.pk])
    assert events(order) == ["draft"]


def test_an_order_of_an_outside_workshop_takes_no_more_jobs(bay: Bay, coolant: Service) -> None:
    order = bay.order()
    WorkOrder.objects.filter(pk=order.pk).update(where=WorkOrder.Where.OUTSIDE)
    with pytest.raises(Refused, match="of an outside workshop: its papers say"):
        add(bay, order, coolant)
    assert titles(order) == {bay.oil.name}


def test_what_joins_early_stands_in_the_order_of_services(bay: Bay, coolant: Service) -> None:
    wanted = OrderDraft(vehicle_id=bay.van.pk, service_ids=[coolant.pk], join_early=True)
    jobs = issue.draft(bay.actor(), wanted).jobs.order_by("pk")
    assert [job.service for job in jobs] == [bay.oil, coolant]  # as they were set up


def test_a_job_taken_off_frees_its_service_for_another_order(bay: Bay, coolant: Service) -> None:
    order = add(bay, bay.order(), coolant)
    job = order.jobs.get(service=coolant)
    joblist.drop_jobs(bay.actor(), order.pk, job_ids=[job.pk], reason="no coolant here")
    assert titles(order) == {bay.oil.name}
    assert events(order) == ["draft", "add jobs", "drop jobs"]
    assert order.events.latest("pk").reason == f"{coolant.name}: no coolant here"
    other = issue.draft(bay.actor(), OrderDraft(vehicle_id=bay.van.pk, service_ids=[coolant.pk]))
    assert titles(other) == {coolant.name}


def test_the_last_job_a_foreign_job_and_one_with_records_stay(bay: Bay, coolant: Service) -> None:
    order = bay.order()
    with pytest.raises(Refused, match="cancel it instead"):
        drop(bay, order, order.jobs.get())
    other = issue.draft(bay.actor(), OrderDraft(vehicle_id=bay.van.pk, service_ids=[coolant.pk]))
    with pytest.raises(Fault, match="no such job"):
        drop(bay, order, other.jobs.get())
    add(bay, order, other_work=[("Mirror", 15)])
    progress.release(bay.actor(), order.pk)
    mechanic = bay.actor(bay.mechanic)
    progress.start(mechanic, order.pk)
    job = order.jobs.get(service=bay.oil)
    recording.material(mechanic, job.pk, name="Clip", pieces=1, client_key="clip-0001")
    with pytest.raises(Refused, match="recorded"):
        drop(bay, order, job)
    progress.end_job(mechanic, job.pk, state="done")
    with pytest.raises(Refused, match="only an open job"):
        drop(bay, order, job)


def drop(bay: Bay, order: WorkOrder, job: Job) -> WorkOrder:
    return joblist.drop_jobs(bay.actor(), order.pk, job_ids=[job.pk], reason="not now")


def test_what_is_not_all_of_the_order_is_not_taken_off(bay: Bay, coolant: Service) -> None:
    order = add(bay, bay.order(), other_work=[("Mirror", 15)])
    own = order.jobs.get(service=None).pk
    for ids in ([], [own, own + 999]):
        with pytest.raises(Fault, match="no such job"):
            joblist.drop_jobs(bay.actor(), order.pk, job_ids=ids, reason="not now")
    assert set(order.jobs.values_list("state", flat=True)) == {"open"}
    joblist.drop_jobs(bay.actor(), order.pk, job_ids=[own, own], reason="not now")
    assert order.jobs.get(state="dropped").pk == own


def test_a_long_reason_is_kept_as_far_as_there_is_room(bay: Bay, coolant: Service) -> None:
    order = add(bay, bay.order(), other_work=[("Mirror", 15)])
    own = order.jobs.get(service=None)
    joblist.drop_jobs(bay.actor(), order.pk, job_ids=[own.pk], reason=f" {'o' * 400}")
    assert order.events.latest("pk").reason == f"Mirror: {'o' * 292}"  # 300 characters


def test_taking_off_needs_a_reason(bay: Bay) -> None:
    order = add(bay, bay.order(), other_work=[("Mirror", 15)])
    with pytest.raises(Fault, match="why"):
        joblist.drop_jobs(
            bay.actor(), order.pk, job_ids=[order.jobs.get(title="Mirror").pk], reason=" "
        )


def test_the_follow_up_of_a_finding_has_services_on_the_same_order(
    bay: Bay, coolant: Service
) -> None:
    finding = report(bay)
    order = findings.follow_up(
        bay.actor(), finding.pk, what="New plug", minutes=20, service_ids=[bay.oil.pk]
    )
    assert titles(order) == {"New plug", bay.oil.name}


def test_the_follow_up_of_a_finding_joins_an_open_order(bay: Bay) -> None:
    order, finding = bay.order(), report(bay)
    joined = findings.follow_up(
        bay.actor(), finding.pk, what="New plug", minutes=20, join=order.number
    )
    assert (joined.pk, joined.follows) == (order.pk, finding)
    assert titles(joined) == {bay.oil.name, "New plug"}
    assert events(joined) == ["draft", "add jobs"]


def test_a_follow_up_joins_no_order_of_another_vehicle(bay: Bay) -> None:
    other = issue.draft(
        bay.actor(), OrderDraft(vehicle_id=scene.van("V-9").pk, other_work=[("Mirror", 5)])
    )
    with pytest.raises(Fault, match="no open order"):
        findings.follow_up(
            bay.actor(), report(bay).pk, what="New plug", minutes=20, join=other.number
        )


def report(bay: Bay) -> findings.Finding:
    return findings.report(
        bay.actor(bay.mechanic),
        Report(
            vehicle=bay.van,
            kind="damage",
            severity="soon",
            text="plug worn",
            client_key="finding-0001",
        ),
    )
