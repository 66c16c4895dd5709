"""The pages as a person meets them."""

import re
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from django.utils import timezone

from fleet import chain
from fleet.due.models import DueDate
from fleet.people.links import issue
from fleet.readings.enter import Entry, enter
from fleet.readings.models import Reading, Source
from tests.cast import Cast
from tests.dashboard.test_readings import held

if TYPE_CHECKING:
    from playwright.sync_api import Page
else:
    Page = Any

WIDTHS = [360, 768, 860, 1280, 1920]
FOCUSED = "document.activeElement.textContent"
SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


def test_a_link_leads_straight_to_what_is_due(page: Page, people: Cast) -> None:
    page.context.clear_cookies()  # nobody is signed in
    page.goto(issue(people.supervisor))
    assert page.get_by_role("heading", level=1).inner_text() == "Overview"
    page.get_by_role("link", name="Due", exact=True).click()
    assert page.get_by_role("link", name="V-101").is_visible()


def test_states_and_text_narrow_the_list_without_loading_the_page(page: Page, people: Cast) -> None:
    DueDate.objects.filter(vehicle=people.van).update(beyond_by_reading=True)
    page.goto("/due")
    page.get_by_role("navigation", name="Narrow by state").get_by_text("Overdue").first.click()
    page.get_by_role("link", name="V-102").wait_for(state="detached")
    assert "state=overdue" in page.url
    page.get_by_label("Vehicle or service").fill("nothing like it")
    page.get_by_label("Vehicle or service").press("Enter")
    page.get_by_text("Nothing fits these filters").wait_for()


def test_a_row_leads_to_its_service_on_the_vehicle(page: Page) -> None:
    page.goto("/due")
    page.get_by_role("link", name="V-101").click()
    page.wait_for_url("**/vehicles/V-101#engine-oil")
    page.get_by_text("Why then?").first.click()
    page.get_by_text("Limit under normal duty: 20,000 km or 12 months, whichever first").wait_for()


def test_the_vehicles_chart_is_drawn(page: Page) -> None:
    page.goto("/vehicles/V-101#odometer")
    page.locator("[data-chart][data-drawn]").wait_for()
    assert page.locator("[data-chart] .scatterlayer path.point").count() == 10
    assert page.locator("[data-chart] .modebar-btn--logo").count() == 0


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_charts_take_the_colours_of_the_page(scheme: Any, page: Page) -> None:
    page.emulate_media(color_scheme=scheme)
    page.goto("/vehicles/V-101")
    page.locator("[data-chart][data-drawn]").wait_for()
    drawn = page.locator("[data-chart] rect.bg").first.evaluate("one => getComputedStyle(one).fill")
    assert drawn == {"light": "rgb(255, 255, 255)", "dark": "rgb(24, 34, 42)"}[scheme]


def test_a_dirty_sheet_is_uploaded_and_what_is_held_is_settled(
    page: Page, people: Cast, tmp_path: Path
) -> None:
    day = timezone.now().date().isoformat()
    sheet = tmp_path / "march.csv"
    # 10,760 km noted in miles; a vehicle nobody knows; a value nobody can read
    sheet.write_text(f"vehicle,date,odometer km\nV-101,{day},6686\nX-9,{day},5\nV-102,{day},lots\n")
    page.goto("/overview")
    page.get_by_role("link", name="Readings").click()
    page.get_by_label("Sheet of odometer readings").set_input_files(sheet)
    page.get_by_role("button", name="Upload").click()
    result = page.locator("#upload-result")
    result.get_by_text("X-9", exact=False).first.wait_for()
    result.get_by_text("row 4", exact=True).first.wait_for()  # its form names it unseen, too
    held = result.locator(".held-one")
    held.get_by_label("Reason").fill("looked at the instrument")
    held.get_by_role("button", name=re.compile("10,760")).click()
    result.get_by_text("accept the suggestion").wait_for()
    assert Reading.objects.get(value=6686).verdict == "accepted"


def test_a_tap_on_what_was_meant_goes_through_without_a_reason(page: Page, people: Cast) -> None:
    reading = held(people)
    page.goto("/readings")
    card = page.locator(".held-one")
    card.locator("button[name=meant]").first.click()
    card.get_by_text("900\u202fkm sent").wait_for()
    reading.refresh_from_db()
    assert reading.verdict == "accepted"


def test_a_reading_by_hand_shows_its_verdict_at_once(page: Page) -> None:
    page.goto("/vehicles/V-101")
    page.get_by_label("New reading").fill("10,760")
    page.get_by_role("button", name="Add", exact=True).click()
    page.get_by_text("accepted; due dates are up to date").wait_for()


def test_the_keyboard_reaches_the_page_and_its_first_row(page: Page) -> None:
    page.goto("/due")
    page.keyboard.press("Tab")
    assert page.evaluate(FOCUSED) == "Skip to the page"
    page.keyboard.press("Enter")
    # five states, five fields (a date has three parts), a button, what keeps the list, what drafts
    # orders, seven headings
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate(FOCUSED) == "V-101":
            break
    page.keyboard.press("Enter")
    page.wait_for_url("**/vehicles/V-101#engine-oil")


def test_charts_of_the_overview_are_drawn_and_on_a_phone_only_when_asked_for(
    page: Page, people: Cast
) -> None:
    DueDate.objects.filter(vehicle=people.van).update(
        beyond_by_reading=True, sort_on=date(2020, 1, 1)
    )
    page.goto("/overview")
    page.locator("[data-chart][data-drawn]").first.wait_for()
    page.set_viewport_size({"width": 390, "height": 844})
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto("/overview")
    button = page.get_by_role("button", name="Show the charts")
    button.wait_for()
    assert not [url for url in asked if "plotly.min" in url]
    button.click()
    page.locator("[data-chart][data-drawn]").first.wait_for()


@pytest.mark.parametrize("width", WIDTHS)
def test_no_page_scrolls_sideways(width: int, page: Page, people: Cast) -> None:
    Reading.objects.filter(vehicle=people.van).update(note="a note " + "without end " * 20)
    page.set_viewport_size({"width": width, "height": 800})
    for address in ("/overview", "/due", "/vehicles/V-101", "/readings", "/runs"):
        page.goto(address)
        assert page.evaluate(SIDEWAYS) <= 0, address


def test_targets_are_large_enough_for_a_gloved_finger(page: Page) -> None:
    page.set_viewport_size({"width": 360, "height": 800})
    page.goto("/readings")
    buttons = page.get_by_role("button").all()
    # 44 CSS pixels: WCAG 2.2, success criterion 2.5.5
    assert min(button.bounding_box()["height"] for button in buttons) >= 44  # type: ignore[index]


def test_paper_carries_the_list_and_nothing_to_press(page: Page) -> None:
    page.emulate_media(media="print")
    page.goto("/due")
    assert page.get_by_role("link", name="V-101").is_visible()
    assert page.get_by_role("banner").is_hidden()
    assert page.get_by_role("button", name="Show").is_hidden()


def test_a_day_is_shareable_as_an_address(page: Page) -> None:
    page.goto("/due")
    page.get_by_label("Expected until").fill("2020-01-01")
    page.get_by_text("Nothing fits these filters").wait_for()
    assert f"until={date(2020, 1, 1)}" in page.url


def test_settling_on_the_vehicle_brings_its_head_up_to_date(page: Page, people: Cast) -> None:
    now = timezone.now().replace(microsecond=0)
    meter = people.van.meters.get()
    enter([Entry(people.van.pk, meter.pk, now, True, 6_686, "km")], Source.PAGE)
    chain.refresh([people.van.pk], timezone.now())
    page.goto("/vehicles/V-101")
    row = page.locator(f"#reading-{Reading.objects.get(value=6_686).pk}")
    row.get_by_label("Reason").fill("noted in miles")
    row.get_by_role("button", name=re.compile("10,760")).click()
    # 6,686 miles are 10,760 km
    page.locator("#last-reading").get_by_text("10,760").wait_for()
    page.locator("#services").get_by_text("Why then?").first.click()
    page.get_by_text("Last accepted reading 10,760 km").wait_for()


def test_on_a_phone_the_first_row_is_within_one_screen(page: Page) -> None:
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto("/due")
    box = page.get_by_role("link", name="V-101").bounding_box()
    assert box is not None
    assert box["y"] + box["height"] < 844


def test_headings_sort_and_chosen_rows_become_orders_without_typing(page: Page) -> None:
    page.goto("/due")
    page.get_by_role("link", name="Life used").click()
    page.locator("th[aria-sort=descending]").get_by_text("Life used").wait_for()
    page.get_by_label("Choose all shown").check()
    page.get_by_role("button", name="Draft orders").click()
    page.get_by_text("Drafted 2 orders.").wait_for()
    page.get_by_label("Choose all shown").check()
    page.get_by_role("button", name="Draft orders").click()
    page.get_by_text("Choose rows first").wait_for()


def test_a_half_typed_reason_stays_while_its_card_is_brought_up_to_date(
    page: Page, people: Cast
) -> None:
    first = held(people)
    second = Entry(
        vehicle_id=people.van.pk,
        meter_id=people.van.meters.get().pk,
        taken_at=first.taken_at + timedelta(hours=1),
        time_known=True,
        value=800,
        unit="km",
    )
    enter([second], Source.PAGE)
    chain.refresh([people.van.pk], timezone.now())
    other = Reading.objects.get(value=800, verdict="held")
    page.goto("/readings")
    page.locator(f"#reason-{other.pk}").fill("the driver says")
    page.locator(f"#reason-{first.pk}").fill("a slip")
    page.locator(f"#reading-{first.pk}").get_by_role("button", name="Reject").click()
    page.locator(f"#reading-{first.pk}.settled").wait_for()
    assert page.locator(f"#reason-{other.pk}").input_value() == "the driver says"
