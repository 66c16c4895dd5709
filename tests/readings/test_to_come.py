"""Of a day that is still to come nobody has read a meter."""

from datetime import timedelta

import pytest
from django.utils import timezone

from fleet import chain
from fleet.faults import Fault
from fleet.readings.beside import beside
from fleet.readings.models import Reading, ReadingDecision, Verdict
from fleet.readings.settle import settle
from tests import scene

pytestmark = pytest.mark.django_db
Action = ReadingDecision.Action


def last_of_ten(ahead: timedelta) -> Reading:
    """The last of ten weekly readings, so far ahead of the clock."""
    vehicle, now = scene.van(), timezone.now()
    *_, last = scene.readings(vehicle, scene.steady(10_000, 700, 10), until=now + ahead)
    chain.refresh([vehicle.pk], now)
    last.refresh_from_db()
    return last


@pytest.mark.parametrize(
    "action", [Action.ACCEPT, Action.ACCEPT_SUGGESTION, Action.OTHER_VALUE, Action.METER_REPLACED]
)
def test_it_cannot_be_accepted_in_any_way(action: str) -> None:
    last = last_of_ten(timedelta(days=5))
    assert (last.verdict, last.reason) == (Verdict.REJECTED, "future_date")
    assert beside([last.pk])[last.pk].to_come
    assert beside([last.pk])[last.pk].candidates == ()
    with pytest.raises(Fault, match="Its day is still to come: reject it, and enter it again"):
        settle(
            reading_id=last.pk,
            action=action,
            person=None,
            reason="I read it",
            value=16_300,
            channel="test",
        )
    assert not ReadingDecision.objects.exists()


def test_it_may_be_rejected() -> None:
    last = last_of_ten(timedelta(days=5))
    settle(reading_id=last.pk, action=Action.REJECT, person=None, reason="typing", channel="test")
    last.refresh_from_db()
    assert (last.verdict, last.fixed) == (Verdict.REJECTED, Verdict.REJECTED)


def test_a_clock_may_be_ahead_by_less_than_a_day() -> None:
    last = last_of_ten(timedelta(hours=23))
    assert last.verdict == Verdict.ACCEPTED
    assert not beside([last.pk])[last.pk].to_come
