"""Life used and limits by the calendar, from tables written by hand; and what severe stays."""

from datetime import date

import numpy as np
import pytest

from fleet.due import lives
from fleet.due.lives import ByCalendar, Stretches
from fleet.due.models import Limit, Service
from fleet.due.rules import NORMAL, SEVERE, Rules, rules_of

CLASSES = {NORMAL: "normal", SEVERE: "severe"}


def rules(normal: dict[str, object], severe: dict[str, object], share: float = 0.15) -> Rules:
    limits = [
        Limit(pk=pk, service_id=1, duty_class=CLASSES[pk], **figures)
        for pk, figures in enumerate((normal, severe))
    ]
    given = Service(pk=1, vehicle_type_id=1, compartment_id=1, early_share=share)
    return rules_of([given], limits, 1.0)


def days(*given: date) -> np.ndarray:
    return np.array(given, dtype="M8[D]")


def one_row(by: Rules, *stretches: tuple[date, int]) -> ByCalendar:
    """The calendar of one service, by the day on which each class began."""
    begins, classes = zip(*stretches, strict=True)
    count, chosen = len(stretches), np.array(classes)
    given = Stretches(
        offsets=np.array([0, count]),
        lead=np.zeros(count, dtype=np.int64),
        from_d=days(*begins).astype(np.int64),
        duty_class=chosen,
        limit=chosen,
    )
    return lives.by_calendar(given, days(begins[0]), np.array([0]), by)


def told(found: ByCalendar) -> tuple[date | None, float, date, float]:
    columns = (found.due_on, found.life, found.life_on, found.life_per_d)
    return tuple(column[0].item() for column in columns)  # type: ignore[return-value]


OCTOBER = {"yearly_month": 10, "yearly_day": 1}
BEGAN = date(2026, 1, 10)


@pytest.mark.parametrize(
    ("figures", "due_on", "span_d"),
    [
        ({"limit_months": 6}, date(2026, 7, 10), 181),  # 10 January to 10 July
        (OCTOBER, date(2026, 10, 1), 264),  # 10 January to 1 October
        (OCTOBER | {"limit_months": 6}, date(2026, 7, 10), 181),
        (OCTOBER | {"limit_months": 12}, date(2026, 10, 1), 264),
        ({"yearly_month": 1, "yearly_day": 9}, date(2027, 1, 9), 364),
    ],
)
def test_months_or_a_day_of_the_year_whichever_comes_first(
    figures: dict[str, object], due_on: date, span_d: int
) -> None:
    found = told(one_row(rules(figures, {"limit_km": 1}), (BEGAN, NORMAL)))
    assert found == (due_on, 0, BEGAN, pytest.approx(1 / span_d))


def test_without_a_calendar_limit_there_is_no_day_and_no_life() -> None:
    due_on, life, life_on, per_d = told(
        one_row(rules({"limit_km": 1}, {"limit_km": 1}), (BEGAN, NORMAL))
    )
    assert (due_on, life_on, per_d) == (None, BEGAN, 0)
    assert np.isnan(life)


# by hand: .15 of 365 days are 54.75, so what is done 54 days before a day of the year is early
@pytest.mark.parametrize(
    ("done_on", "share", "year"),
    [
        (date(2026, 8, 7), 0.15, 2026),  # 55 days before 1 October
        (date(2026, 8, 8), 0.15, 2027),  # 54 days
        (date(2026, 9, 30), 0.0, 2026),
        (date(2026, 10, 1), 0.0, 2027),
        (date(2026, 6, 26), 0.268, 2027),  # of 97.82 days 97 count
        (date(2026, 6, 25), 0.268, 2026),
    ],
)
def test_what_is_done_early_counts_for_the_day_of_that_year(
    done_on: date, share: float, year: int
) -> None:
    found = told(one_row(rules(OCTOBER, OCTOBER, share), (done_on, NORMAL)))
    assert found[0] == date(year, 10, 1)


def test_a_change_of_class_counts_each_stretch_at_its_own_months() -> None:
    # 181 of the 365 days of a year, then .504 of the 184 days from 10 July to 10 January: 92.75
    by = rules({"limit_months": 12}, {"limit_months": 6})
    turned = date(2026, 7, 10)
    found = told(one_row(by, (BEGAN, NORMAL), (turned, SEVERE)))
    assert found == (
        *(date(2026, 10, 10), pytest.approx(181 / 365), turned),
        pytest.approx(1 / 184),
    )


def test_a_day_of_the_year_that_was_passed_stays_whatever_class_takes_effect_later() -> None:
    by = rules(OCTOBER, {"yearly_month": 12, "yearly_day": 1})
    before, on, after = date(2026, 9, 30), date(2026, 10, 1), date(2026, 11, 1)
    assert told(one_row(by, (BEGAN, NORMAL), (before, SEVERE)))[0] == date(2026, 12, 1)
    assert told(one_row(by, (BEGAN, NORMAL), (on, SEVERE)))[0] == date(2026, 12, 1)
    due_on, life, life_on, per_d = told(one_row(by, (BEGAN, NORMAL), (after, SEVERE)))
    assert (due_on, life_on) == (date(2026, 10, 1), after)
    # by hand: 10 January to 1 October are 264 days, to 1 November 295
    assert (life, per_d) == (pytest.approx(295 / 264), pytest.approx(1 / 264))


def test_life_used_is_the_larger_of_months_and_the_day_of_the_year() -> None:
    # by hand, to 1 May: 111 of 181 days of half a year; 111 of 264 up to 1 October
    by = rules({"limit_months": 6} | OCTOBER, {"limit_months": 120})
    found = told(one_row(by, (BEGAN, NORMAL), (date(2026, 5, 1), SEVERE)))
    assert found[1] == pytest.approx(111 / 181)
    by = rules({"limit_months": 36} | OCTOBER, {"limit_months": 120})
    found = told(one_row(by, (BEGAN, NORMAL), (date(2026, 5, 1), SEVERE)))
    assert found[1] == pytest.approx(111 / 264)


@pytest.mark.parametrize(
    ("strict", "warranty_on", "expected"),
    [
        ([True, True], 90, [0, 1, 1, 1, 0, 1, 1]),
        ([True, False], 90, [0, 1, 1, 1, 0, 1, 0]),
        ([False, True], 90, [0, 1, 0, 0, 0, 1, 1]),
        ([True, True], 30, [0, 1, 1, 0, 0, 1, 1]),  # the warranty ends on the day it would ease
        ([True, True], 29, [0, 1, 0, 0, 0, 1, 0]),
        ([False, False], 90, [0, 1, 0, 0, 0, 1, 0]),
    ],
)
def test_under_warranty_severe_stays_until_it_is_done(
    strict: list[bool], warranty_on: int, expected: list[int]
) -> None:
    """Two services: normal, severe, normal, normal on days 10 … 40; normal, severe, normal."""
    found = lives._strictest(
        np.array([0, 1, 0, 0, 0, 1, 0]),
        np.array([0, 0, 0, 0, 1, 1, 1]),
        np.array(strict),
        np.array([10, 20, 30, 40, 10, 20, 30]),
        np.full(2, warranty_on).astype("M8[D]"),
    )
    assert found.tolist() == expected


def test_severe_since_the_service_itself_stays_too() -> None:
    # two services of two stretches each: severe, normal; the second one is not under warranty
    found = lives._strictest(
        np.array([1, 0, 1, 0]),
        np.array([0, 0, 1, 1]),
        np.array([True, False]),
        np.array([10, 20, 10, 20]),
        np.full(2, 90).astype("M8[D]"),
    )
    assert found.tolist() == [1, 1, 1, 0]
