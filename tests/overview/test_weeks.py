"""The work of the weeks ahead. Expected figures: by hand from the days set; a service without a
procedure takes 30 minutes (our choice, ``fleet.visits.gather``)."""

from datetime import date, timedelta

import pytest

from fleet import chain
from fleet.due.models import Service
from fleet.overview import weeks, weeks_shown
from fleet.overview.models import WorkAhead
from fleet.overview.weeks import Week
from fleet.vehicles.models import Depot, Vehicle
from fleet.visits.models import Mechanic, Workshop
from fleet.workorders.models import Procedure
from tests import scene
from tests.scene import INVENTED, NOW

pytestmark = pytest.mark.django_db

TODAY = NOW.date()  # Monday, 15 June 2026


def by_calendar(on: date, number: str = "V-1") -> Vehicle:
    """A van whose gearbox oil falls due on a day, every twelve months."""
    service = Service.objects.first() or scene.service(km=None, months=12)
    vehicle = scene.van(number)
    scene.done(vehicle, service, on.replace(year=on.year - 1), None)
    chain.refresh([vehicle.pk], NOW)
    return vehicle


def ahead() -> WorkAhead:
    weeks.forecast_weeks(TODAY, list(Depot.objects.values_list("pk", flat=True)))
    return WorkAhead.objects.get()


def means(row: WorkAhead) -> list[float]:
    return [week["mean"] for week in row.weeks]


def test_weeks_begin_today_and_then_on_mondays() -> None:
    by_calendar(TODAY)
    row = ahead()
    begins = ["2026-06-15", "2026-06-22", "2026-06-29"]
    assert [week["begin_on"] for week in row.weeks[:3]] == begins
    assert len(row.weeks) == 12
    from_sunday = weeks.weeks_from(date(2026, 6, 21))
    assert from_sunday.months_on[:2] == [date(2026, 6, 21), date(2026, 6, 22)]


def test_a_day_of_the_calendar_falls_in_its_week_for_certain() -> None:
    by_calendar(date(2026, 7, 1))  # the week from Monday, 29 June
    row = ahead()
    assert means(row) == [0, 0, 1, *[0] * 9]
    week = row.weeks[2]
    assert (week["mean_min"], week["low_min"], week["high_min"]) == (30, 30, 30)


def test_distance_spreads_a_service_over_weeks() -> None:
    oil, vehicle = scene.service(km=20_000, months=48), scene.van()
    scene.done(vehicle, oil, date(2026, 1, 1), 10_000)
    scene.readings(vehicle, scene.steady(10_000, 700, 24))
    chain.refresh([vehicle.pk], NOW)
    # 3,900 km left at about 100 km a day: about 39 days, in the sixth week
    found = means(ahead())
    assert found.index(max(found)) in (4, 5, 6)
    assert sum(found) == pytest.approx(1, abs=0.02)
    assert sum(share > 0.01 for share in found) > 1


def test_what_comes_after_it_is_done_is_not_counted() -> None:
    service = scene.service(km=None, months=1)
    vehicle = scene.van()
    scene.done(vehicle, service, date(2026, 5, 24), None)  # due on 24 June, and each month after
    chain.refresh([vehicle.pk], NOW)
    assert sum(means(ahead())) == 1


def test_what_is_overdue_is_carried_over_and_in_no_week() -> None:
    by_calendar(TODAY - timedelta(days=20))
    row = ahead()
    assert (row.overdue, row.overdue_min, row.probably) == (1, 30, 0)
    assert sum(means(row)) == 0


def test_minutes_are_those_of_the_book_in_steps_of_five() -> None:
    vehicle = by_calendar(date(2026, 7, 1))
    service = vehicle.due_dates.get().service
    Procedure.objects.create(service=service, family="drain and fill", minutes=53, source=INVENTED)
    assert ahead().weeks[2]["mean_min"] == 55


def test_rounds_are_left_out() -> None:
    by_calendar(date(2026, 7, 1))
    Service.objects.update(is_round=True)
    assert sum(means(ahead())) == 0


def test_vehicles_add_up() -> None:
    for number in range(5):
        by_calendar(date(2026, 7, 1), f"V-{number}")
    assert means(ahead())[2] == 5


def test_capacity_is_what_is_there_without_the_share_kept() -> None:
    by_calendar(TODAY)
    assert ahead().weeks[0]["capacity_min"] is None
    depot = Depot.objects.get()
    Workshop.objects.create(depot=depot, kept_share=0.25, source=INVENTED)
    Mechanic.objects.create(depot=depot, name="Ada", minutes=400, source=INVENTED)
    # five days of 400 minutes, a quarter of them kept
    assert ahead().weeks[0]["capacity_min"] == 5 * 400 * 0.75


def test_a_night_keeps_the_weeks() -> None:
    by_calendar(date(2026, 7, 1))
    run = chain.nightly(TODAY)
    assert run.counts["weeks ahead"] == 1
    assert WorkAhead.objects.get().as_of_on == TODAY


# --- read ------------------------------------------------------------------------------------
def week(begin_on: str, mean_min: float, capacity_min: float | None, var_min: float = 0) -> Week:
    end_on = str(date.fromisoformat(begin_on) + timedelta(days=7))
    certain = (mean_min, var_min, mean_min, mean_min)
    return Week(begin_on, end_on, *certain, mean_min / 60, 0, 0, 0, capacity_min)


def row(slug: str, *some: Week, overdue_min: int = 0) -> WorkAhead:
    return WorkAhead(
        depot=scene.depot(slug), as_of_on=TODAY, overdue=overdue_min // 60, probably=0,
        overdue_min=overdue_min, probably_min=0, weeks=[vars(one) for one in some],
    )  # fmt: skip


def test_the_first_week_that_lacks_hours_is_found() -> None:
    found = weeks_shown.first_short(
        [
            row("plain", week("2026-06-15", 300, 600), week("2026-06-22", 900, 600)),
            row("hill", week("2026-06-15", 300, 600), week("2026-06-22", 1_140, 600)),
        ]
    )
    assert found == weeks_shown.Short("Hill", date(2026, 6, 22), 9.0)


def test_what_is_carried_over_counts_in_the_first_week() -> None:
    found = weeks_shown.first_short([row("plain", week("2026-06-15", 300, 600), overdue_min=420)])
    assert found == weeks_shown.Short("Plain", date(2026, 6, 15), 2.0)


def test_a_closed_rest_of_a_week_hands_its_work_on() -> None:
    closed, next_week = week("2026-06-21", 60, 0), week("2026-06-22", 600, 600)
    found = weeks_shown.first_short([row("plain", closed, next_week, overdue_min=30)])
    assert found == weeks_shown.Short("Plain", date(2026, 6, 22), 1.5)


def test_less_than_an_hour_and_an_unknown_workshop_are_not_told() -> None:
    assert weeks_shown.first_short([row("plain", week("2026-06-15", 659, 600))]) is None
    assert weeks_shown.first_short([row("plain", week("2026-06-15", 900, None))]) is None


def test_depots_together_add_means_and_variances() -> None:
    load = weeks_shown.load(
        [
            row("plain", week("2026-06-15", 600, 600, var_min=2_700)),
            row("hill", week("2026-06-15", 300, 300, var_min=900), overdue_min=120),
        ]
    )
    assert load is not None
    bar = load.bars[0]
    # 15 h; sd sqrt(3,600) = 60 min = 1 h, and 1.2816 of it to either side (normal quantile of .9)
    assert (bar.mean, bar.capacity, load.overdue) == (15, 15, 2)
    assert (bar.low, bar.high) == pytest.approx((13.7184, 16.2816), abs=1e-4)
    assert (bar.begin_on, bar.end_on) == (date(2026, 6, 15), date(2026, 6, 22))
    services = weeks_shown.load([row("plain", week("2026-06-15", 600, 600))], services=True)
    assert services is not None
    assert (services.bars[0].mean, services.bars[0].capacity) == (10, None)


def test_without_a_night_there_is_nothing_to_draw() -> None:
    assert weeks_shown.load([]) is None


# --- a night that finds nothing new ----------------------------------------------------------
def written(on: date = TODAY) -> int:
    return weeks.forecast_weeks(on, [Depot.objects.get().pk])


def test_an_unchanged_night_writes_and_computes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    by_calendar(date(2026, 7, 1))
    assert written() == 1
    with monkeypatch.context() as patch:
        patch.setattr(weeks, "_laws", None)  # would fail if it were called
        assert written() == 0


def test_whatever_the_weeks_rest_on_brings_them_up_to_date() -> None:
    vehicle, service = by_calendar(date(2026, 7, 1)), Service.objects.get()
    written()
    assert written(TODAY + timedelta(days=1)) == 1
    Procedure.objects.create(
        service=service, family="other", edition="1", source=INVENTED, minutes=60
    )
    assert (written(), means(WorkAhead.objects.get())[2]) == (1, 1)
    assert WorkAhead.objects.get().weeks[2]["mean_min"] == 60
    Workshop.objects.create(depot=Depot.objects.get())
    assert (written(), written()) == (1, 0)
    scene.done(vehicle, service, date(2025, 7, 9), None)
    chain.refresh([vehicle.pk], NOW)
    assert written() == 1
    assert means(WorkAhead.objects.get())[3] == 1  # 9 July, in the week from Monday, 6 July
