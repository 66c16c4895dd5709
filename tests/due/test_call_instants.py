import json
from datetime import UTC, date, datetime, timedelta

import pytest

from config.cli import main
from fleet import chain
from fleet.due.models import CheckFigure, CheckResult, DueDate, DueEarlier, Service, ServiceDone
from fleet.due.record import record_done
from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.workorders import checks, ending, issue, progress
from fleet.workorders.ending import AtFinish
from fleet.workorders.issue import OrderDraft
from tests import scene
from tests.cast import person
from tests.due.test_calls import driven, leak_check, refreshed
from tests.scene import INVENTED, NOW

pytestmark = pytest.mark.django_db
TODAY = NOW.date()


def figure(of: Service, **told: object) -> CheckFigure:
    """Boiling point of brake fluid; the limits are invented."""
    given = {"slug": "boiling-point", "name": "Boiling point", "unit": "°C", "pass_from": 180}
    return CheckFigure.objects.create(service=of, **given, watch_from=160, source=INVENTED, **told)


def worked(service: Service, value: float, of: CheckFigure, *, end_h: float = 2) -> None:
    """An order with one service: measured an hour in, ended later, all on one day."""
    vehicle = scene.Vehicle.objects.get()
    boss = person("Sura", Role.SUPERVISOR, vehicle.depot)

    def at(hours: float) -> Actor:
        return Actor(person=boss, channel="test", now=NOW + timedelta(hours=hours))

    order = issue.draft(
        at(0), OrderDraft(vehicle_id=vehicle.pk, service_ids=[service.pk], join_early=False)
    )
    progress.release(at(0), order.pk)
    progress.start(at(0), order.pk)
    checks.measure(at(1), order, figure=of, value=value, client_key="phone-1-measured")
    progress.end_job(at(end_h), order.jobs.get().pk, state="done")
    ending.finish(at(3), order.pk, AtFinish(odometer=23_300, fit_for_use="yes"))
    chain.refresh([vehicle.pk], NOW + timedelta(hours=3))


def test_a_change_done_on_the_day_its_check_failed_is_no_longer_due() -> None:
    oil, check, vehicle = scene.service(), leak_check(), driven()
    worked(oil, 151, figure(check, calls_for=oil))
    row = DueDate.objects.get(vehicle=vehicle, service=oil)
    # 36 months from the change, or 60,000 km at 700 a week: years ahead
    assert row.p50 is not None
    assert row.p50 > TODAY + timedelta(days=365)


def test_the_command_says_so_too(capsys: pytest.CaptureFixture[str]) -> None:
    oil, check, _ = scene.service(), leak_check(), driven()
    worked(oil, 151, figure(check, calls_for=oil))
    assert main(["due", "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)
    assert date.fromisoformat(row["p50"]) > TODAY + timedelta(days=365)


def test_a_change_done_before_its_check_failed_stays_due() -> None:
    oil, check, vehicle = scene.service(), leak_check(), driven()
    worked(oil, 151, figure(check, calls_for=oil), end_h=0.5)
    assert DueDate.objects.get(vehicle=vehicle, service=oil).p50 == TODAY


def test_a_value_to_watch_is_not_ended_by_its_own_check_but_by_the_next() -> None:
    check, vehicle = leak_check(), driven()
    worked(check, 170, figure(check))
    (row,) = DueDate.objects.filter(vehicle=vehicle)
    assert row.p50 == date(2026, 9, 15)  # three months on, by hand
    again_at = NOW + timedelta(hours=5)
    record_done(
        ServiceDone(
            vehicle=vehicle,
            service=check,
            done_on=TODAY,
            done_at=again_at,
            evidence="work order",
            source=INVENTED,
            person=None,
        ),
    )
    assert refreshed(vehicle) == []


def test_a_document_ends_only_the_calls_of_earlier_days() -> None:
    check, vehicle = leak_check(), driven()
    DueEarlier.objects.create(
        vehicle=vehicle,
        service=check,
        called_on=TODAY,
        called_at=NOW,
        due_on=TODAY,
        reason="a seep",
    )
    scene.done(vehicle, check, TODAY, 23_300)
    assert len(refreshed(vehicle)) == 1
    scene.done(vehicle, check, TODAY + timedelta(days=1), 23_300)
    assert refreshed(vehicle) == []


@pytest.mark.parametrize(
    ("due_km", "days"),
    # M = 100 h, V = 15,000 h: exact Gamma passage, scipy 1.17.1, by check row R-03
    [(40, (0.1502, 0.8176, 2.1607)), (80, (0.2655, 1.2505, 3.0044)),
     (1_000, (5.9841, 10.4955, 15.8379))],
)  # fmt: skip
def test_a_short_distance_falls_due_as_its_passage_says(
    due_km: float, days: tuple[float, float, float], capsys: pytest.CaptureFixture[str]
) -> None:
    check, vehicle = leak_check(), driven()
    refreshed(vehicle)
    state = vehicle.usage_states.get()
    at_d = NOW.timestamp() / 86_400
    assert state.last_at_d == pytest.approx(at_d)
    done = record_done(
        ServiceDone(
            vehicle=vehicle,
            service=scene.service(),
            done_on=TODAY,
            done_at=NOW,
            evidence="work order",
            source=INVENTED,
            person=None,
            total_km=state.last_km,
        ),
    )
    DueEarlier.objects.create(
        vehicle=vehicle, service=check, called_on=TODAY, called_at=NOW, after_km=due_km,
        anchor=done, reason="tighten again",
    )  # fmt: skip
    refreshed(vehicle)
    main(["due", "--json"])
    row = next(row for row in json.loads(capsys.readouterr().out) if row["service"] == check.slug)
    assert row["remaining_km"] == due_km
    # the van's own law is near 100 km a day: days of the row within one of the published
    for name, ahead_d in zip(("p10", "p50", "p90"), days, strict=True):
        on = datetime.fromtimestamp((at_d + ahead_d) * 86_400, UTC).date()
        assert abs((date.fromisoformat(row[name]) - on).days) <= 2
    assert ServiceDone.objects.count() == 1
    assert not CheckResult.objects.exists()
