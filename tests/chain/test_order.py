"""Each step of the chain is taken, in its place, and says how far it is."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.utils import timezone

from fleet import chain
from fleet.due.models import DueDate
from fleet.hindcast import widen
from fleet.readings import intake
from fleet.readings.models import Reading, Upload
from fleet.runs.models import Run
from fleet.usage.models import ClassRate, UsageState
from fleet.vehicles.models import Vehicle
from fleet.workorders.models import OrderEvent
from tests import scene
from tests.scene import NOW

pytestmark = pytest.mark.django_db

Told = list[tuple[float, str]]


def vans(count: int) -> list[Vehicle]:
    oil = scene.service()
    found = [scene.van(f"V-{at:02}") for at in range(count)]
    for at, one in enumerate(found):
        scene.done(one, oil, NOW.date() - timedelta(days=300), 10_000)
        scene.readings(one, scene.jittered(at, 12_000, 20))
    return found


def test_a_night_says_how_far_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    """By hand: five vehicles two by two are .4, .8 and all of them; due dates begin at .7."""
    vans(5)
    two_by_two = chain._chunks
    monkeypatch.setattr(chain, "_chunks", lambda ids: two_by_two(ids, 2))
    told: Told = []
    run = chain.nightly(NOW.date(), progress=lambda share, text: told.append((share, text)))
    shares = [share for share, _ in told]
    assert shares == sorted(shares)
    assert [round(share, 9) for share, text in told if text == "due dates"] == [0.82, 0.94, 1]
    assert [round(share, 9) for share, text in told if text == "duty classes"] == [0.58, 0.66, 0.7]
    # four months are open, January to May without the readings of June
    months = [round(share, 9) for share, text in told if text.startswith("readings up to")]
    assert months == [round(0.45 * at / len(months), 9) for at in range(len(months))]
    run.refresh_from_db()
    assert run.progress_share == 1


def test_a_night_looks_back_once_a_month() -> None:
    vans(1)
    chain.nightly(NOW.date())
    assert Run.objects.get(job=widen.JOB).on == date(2026, 5, 31)


def test_a_night_never_acts_ahead_of_the_clock() -> None:
    """What it drafts tomorrow before noon is not drafted at noon."""
    oil, van = scene.service(months=1), scene.van()
    today = timezone.now().date()
    scene.done(van, oil, today - timedelta(days=100), 10_000)
    chain.nightly(today + timedelta(days=1))
    drafted = OrderEvent.objects.get()
    assert drafted.performed_at <= timezone.now()
    assert chain._moment(NOW.date(), None) == datetime(2026, 6, 15, 12, tzinfo=UTC)


def test_the_rate_of_a_month_knows_nothing_of_the_first_of_the_next() -> None:
    """By hand: 700 km a week are 100 km a day, whatever comes on 1 June."""
    van = scene.van()
    end = datetime(2026, 5, 31, 12, tzinfo=UTC)
    scene.readings(van, scene.steady(10_000, 700, 30), until=end)
    scene.readings(van, [10_000 + 29 * 700 + 250], until=end + timedelta(hours=18))
    chain.refresh([van.pk], NOW)
    assert Reading.objects.filter(verdict="accepted").count() == 31
    row = ClassRate.objects.get(type_pk=-1, month_end_on=date(2026, 5, 31))
    assert row.rate_km_per_day == pytest.approx(100, rel=1e-12)


def test_who_is_first_read_on_the_first_starts_with_the_rate_of_the_month_before() -> None:
    """A van that drove 700 km a week until April and 1,400 in May moves the rate of May."""
    known, new = scene.van("V-1"), scene.van("V-2")
    end = datetime(2026, 5, 31, 12, tzinfo=UTC)
    slow = scene.steady(10_000, 700, 26)
    scene.readings(known, [*slow, *(slow[-1] + 1_400 * week for week in range(1, 5))], until=end)
    scene.readings(new, [40_000], until=end + timedelta(hours=18))
    chain.refresh([known.pk, new.pk], NOW)
    april, may = (
        ClassRate.objects.get(type_pk=-1, month_end_on=on).rate_km_per_day
        for on in (date(2026, 4, 30), date(2026, 5, 31))
    )
    assert april == pytest.approx(100, rel=1e-12)
    assert may > 105
    assert UsageState.objects.get(vehicle=new).rate_km_per_day == may


def sheet(van: Vehicle) -> Upload:
    first = timezone.now().date() - timedelta(days=70)
    days = [(first + timedelta(days=7 * week), 12_000 + 700 * week) for week in range(10)]
    lines = ["Vehicle,Date,Odometer", *(f"{van},{on},{km}" for on, km in days)]
    return intake.receive("\n".join(lines).encode(), "odometers.csv")


def test_an_upload_goes_through_every_step_and_says_so() -> None:
    oil, van = scene.service(), scene.van()
    scene.done(van, oil, date(2026, 1, 1), 10_000)
    told: Told = []
    upload = sheet(van)
    done = chain.complete_upload(upload.pk, lambda share, text: told.append((share, text)))
    assert done.state == Upload.State.DONE
    assert told[-1] == (1.0, "done")
    shares = [share for share, _ in told]
    assert shares == sorted(shares)
    assert (0.8, "due dates") in told
    # by hand: 60,000 km after 10,000 km, and 18,300 stand there
    assert DueDate.objects.get().remaining_km == pytest.approx(51_700)
