"""The demo on a day on which its workshops are closed."""

from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest
import time_machine
from django.utils import timezone

from fleet.calc.calendar import WorkingDays
from fleet.demo import build
from fleet.demo.drive import open_on
from fleet.demo.orders import add_work
from fleet.workorders.models import WorkOrder
from tests.demo.open_days import check_open_days


@pytest.mark.parametrize(
    ("day", "last", "following"),
    [
        (date(2026, 11, 27), 27, 27),  # a Friday
        (date(2026, 11, 28), 27, 30),  # a Saturday
        (date(2026, 11, 29), 27, 30),  # a Sunday
        (date(2026, 11, 26), 25, 27),  # a Thursday on which the workshop is closed
    ],
)
def test_work_goes_to_the_last_or_the_next_open_day(day: date, last: int, following: int) -> None:
    closed = np.array([date(2026, 11, 26)], dtype="M8[D]")
    week = WorkingDays((True,) * 5 + (False,) * 2, closed).calendar()
    assert open_on(day, week, ahead=False) == date(2026, 11, last)
    assert open_on(day, week, ahead=True) == date(2026, 11, following)


@pytest.mark.any_database  # a past is made on both in `test_demo.py`
@pytest.mark.django_db(transaction=True)
@time_machine.travel(datetime(2026, 3, 8, 12, 0, tzinfo=UTC), tick=False)
def test_on_a_sunday_work_is_under_way_and_nothing_is_planned_or_begun(
    settings: object, tmp_path: Path
) -> None:
    settings.DATA_DIR = tmp_path  # type: ignore[attr-defined]
    sunday = date(2026, 3, 8)
    vans = build.live_past(timezone.now(), sunday, 1, 48, lambda share, text: None)
    add_work(vans, timezone.now(), sunday)
    check_open_days()
    own = WorkOrder.objects.filter(where="own workshop")
    assert {"started", "waiting", "released", "drafted"} <= set(own.values_list("state", flat=True))
    assert own.filter(state="released", planned_on=date(2026, 3, 9)).count() >= 3  # Monday
    assert own.get(state="started").planned_on == date(2026, 3, 6)  # Friday
