"""How often dates came true, as a person meets it."""

from typing import TYPE_CHECKING, Any

import pytest

from fleet.due.models import BacktestResult
from fleet.hindcast import backtest
from tests.cast import Cast
from tests.dashboard.years import years_of_readings

if TYPE_CHECKING:
    from playwright.sync_api import Page
else:
    Page = Any

SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


@pytest.fixture
def years(people: Cast) -> None:
    years_of_readings(people)
    backtest.keep(backtest.backtest())


@pytest.fixture
def enough(years: None) -> None:
    """As if there were as many forecasts as charts ask for."""
    row = BacktestResult.objects.get()
    row.result["forecasts"] = 300
    row.save()


def test_every_chart_is_drawn(page: Page, enough: None) -> None:
    page.goto("/method")
    page.locator("[data-drawn]").nth(2).wait_for()
    assert page.locator("[data-chart] .scatterlayer .trace").count() == 4 + 3 + 2


@pytest.mark.parametrize("width", [360, 1440])
def test_it_fits_the_width_with_everything_open(page: Page, years: None, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 800})
    page.goto("/method")
    for summary in page.locator("main summary").all():
        summary.click()
    assert page.evaluate(SIDEWAYS) <= 0


@pytest.mark.parametrize("width", [360, 1440])
def test_forecasts_made_before_are_fetched_when_opened(page: Page, years: None, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 800})
    page.goto("/vehicles/V-101")
    page.get_by_text("What was forecast 3, 6 and 12 months ago").click()
    page.locator(".then-table .strip").nth(2).wait_for()
    assert page.evaluate(SIDEWAYS) <= 0
