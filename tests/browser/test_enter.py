"""Enter, or Go on the keyboard of a phone, in the fields of the job card."""

from typing import TYPE_CHECKING, Any

import pytest

from fleet.workorders.models import FluidRecord, TorqueRecord
from tests.browser.conftest import card
from tests.dashboard.workshop import Workshop

if TYPE_CHECKING:
    from playwright.sync_api import Page
else:
    Page = Any


def typed(phone: Page, label: str, text: str) -> None:
    phone.get_by_label(label).first.fill(text)
    phone.keyboard.press("Enter")


@pytest.fixture
def at_the_plug(phone: Page, shop: Workshop) -> Page:
    """The card, open where the drain plug, 39.3 N·m, takes another value."""
    phone.set_viewport_size({"width": 390, "height": 844})
    card(phone, shop)
    phone.get_by_text("another value", exact=False).first.tap()
    return phone


def test_a_torque_typed_and_entered_is_asked_about_and_never_stored_as_the_figure(
    at_the_plug: Page,
) -> None:
    typed(at_the_plug, "Tightened to another value [N·m]", "15")
    asked = at_the_plug.locator("form.asked")
    asked.get_by_text("15 N·m, but the figure is 39.3").wait_for()
    assert not TorqueRecord.objects.exists()
    asked.get_by_label("Typed [N·m]; correct it here").fill("38")
    at_the_plug.keyboard.press("Enter")
    at_the_plug.locator("ul.recorded").get_by_text("38").wait_for()
    made = TorqueRecord.objects.get()
    assert (made.torque_nm, made.to_the_figure) == (38, False)


def test_once_more_stores_what_stands_in_the_box(at_the_plug: Page) -> None:
    label = "Tightened to another value [N·m]"
    typed(at_the_plug, label, "38")
    at_the_plug.locator("ul.recorded").get_by_text("38").wait_for()
    at_the_plug.locator("summary:visible", has_text="Record again …").tap()
    at_the_plug.locator("button:enabled", has_text="Tightened to 39.3").wait_for()
    typed(at_the_plug, label, "38")
    at_the_plug.get_by_role("button", name="Yes, it was done once more").tap()
    at_the_plug.locator("ul.recorded li").nth(1).wait_for()
    assert [row.torque_nm for row in TorqueRecord.objects.order_by("pk")] == [38, 38]


def test_a_quantity_asked_about_and_entered_is_what_was_typed(phone: Page, shop: Workshop) -> None:
    """15 L are ten times the refill of 1.5 L: a slip of the decimal point is offered first."""
    card(phone, shop)
    phone.get_by_label("Product", exact=True).first.select_option(label="Right oil")
    typed(phone, "Filled [L]", "15")
    asked = phone.locator("form.asked")
    asked.get_by_role("button", name="1.5").wait_for()  # a tap on it would store 1.5 L
    asked.get_by_label("Typed").fill("1.4")
    phone.keyboard.press("Enter")
    phone.locator("ul.recorded").get_by_text("1.4").wait_for()
    assert [row.quantity_ml for row in FluidRecord.objects.all()] == [1400]
