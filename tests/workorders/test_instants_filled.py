"""Rows from before calls and services had instants get them, and a change ends its call."""

from datetime import UTC, date, datetime
from importlib import import_module

import pytest
from django.apps import apps

from fleet.due.calls import standing
from fleet.due.models import CheckFigure, CheckResult, DueEarlier, Service, ServiceDone
from fleet.workorders.models import Job, WorkOrder
from tests import scene
from tests.scene import INVENTED

pytestmark = pytest.mark.django_db
DAY = date(2026, 6, 15)


class Unfilled:
    """The apps, with every call as it stood before it had an instant."""

    def __init__(self, *calls: DueEarlier) -> None:
        self.calls = calls

    def get_model(self, app: str, name: str) -> object:
        return self if name == "DueEarlier" else apps.get_model(app, name)

    @property
    def objects(self) -> "Unfilled":
        return self

    def filter(self, **_: object) -> "Unfilled":
        return self

    def select_related(self, *_: str) -> tuple[DueEarlier, ...]:
        return self.calls


def fill(*calls: DueEarlier) -> None:
    import_module("fleet.due.migrations.0013_instants_of_calls").fill(Unfilled(*calls), None)
    import_module("fleet.workorders.migrations.0017_instants_of_services_done").fill(apps, None)


def measured(service: Service, outcome: str, calls_for: Service | None = None) -> CheckResult:
    figure = CheckFigure.objects.create(
        service=service,
        slug="boiling-point",
        name="Boiling point",
        unit="°C",
        calls_for=calls_for,
        source=INVENTED,
    )
    return CheckResult.objects.create(
        vehicle=scene.van(),
        figure=figure,
        value=151,
        outcome=outcome,
        measured_at=datetime(2026, 6, 15, 10, tzinfo=UTC),
        client_key="old-result",
    )


def called(result: CheckResult, service: Service, on: date) -> DueEarlier:
    reason = f"Boiling point 151 °C: {result.outcome} ({INVENTED})"
    return DueEarlier.objects.create(
        vehicle=result.vehicle, service=service, called_on=on, due_on=on, reason=reason
    )


def changed(call: DueEarlier, hour: int) -> ServiceDone:
    """The service done on an order on the same day, its reading settled since."""
    order = WorkOrder.objects.create(number="W-1", vehicle=call.vehicle, depot=call.vehicle.depot)
    done = scene.done(call.vehicle, call.service, DAY, 23_300)
    scene.done(call.vehicle, call.service, DAY, 23_310).supersedes = done
    ServiceDone.objects.exclude(pk=done.pk).update(supersedes=done)
    Job.objects.create(
        order=order,
        vehicle=call.vehicle,
        service=call.service,
        state="done",
        ended_at=datetime(2026, 6, 15, hour, tzinfo=UTC),
        done=done,
    )
    return done


@pytest.mark.parametrize(("hour", "stands"), [(9, True), (11, False)])
def test_a_failed_check_gets_the_instant_of_its_value_and_a_later_change_ends_it(
    hour: int, stands: bool
) -> None:
    oil = scene.service()
    call = called(measured(scene.service("engine"), "fail", oil), oil, DAY)
    changed(call, hour)
    fill(call)
    call.refresh_from_db()
    assert (call.called_at, call.result) == (call.result.measured_at, CheckResult.objects.get())
    assert set(ServiceDone.objects.values_list("done_at__hour", flat=True)) == {hour}
    assert standing([call.vehicle_id]).exists() == stands


def test_a_value_to_watch_is_not_ended_by_its_own_check() -> None:
    check = scene.service("engine")
    call = called(measured(check, "watch"), check, date(2026, 6, 16))
    changed(call, 11)
    fill(call)
    call.refresh_from_db()
    assert call.called_on == DAY
    assert standing([call.vehicle_id]).exists()


def test_a_call_without_a_value_begins_with_its_day() -> None:
    oil, vehicle = scene.service(), scene.van(at=scene.depot("hill", "Europe/Berlin"))
    call = DueEarlier.objects.create(
        vehicle=vehicle, service=oil, called_on=DAY, due_on=DAY, reason="leak seen: drops"
    )
    fill(call)
    call.refresh_from_db()
    assert call.called_at == datetime(2026, 6, 14, 22, tzinfo=UTC)  # midnight in summer time
