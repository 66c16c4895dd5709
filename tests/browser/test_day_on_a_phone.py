"""A day on a phone: what is typed stays, what was recorded is seen at once, and nobody is told what
is not true."""

import time
from typing import TYPE_CHECKING, Any

import pytest
from django.contrib.sessions.models import Session

from fleet.dashboard.orders import job_card
from fleet.workorders.models import TorqueRecord, WorkOrder
from tests.browser.conftest import card, cut_network, mend_network
from tests.browser.test_bay import DRAIN_PLUG
from tests.browser.test_waiting import drained
from tests.dashboard.workshop import Workshop

if TYPE_CHECKING:
    from playwright.sync_api import Page
else:
    Page = Any

ONE_WAITS = "1 record waits to be sent"


def test_what_is_half_typed_stays_through_a_change_of_state_and_so_does_the_place(
    phone: Page, shop: Workshop
) -> None:
    card(phone, shop)
    phone.get_by_label("Odometer now").fill("10 700")
    phone.get_by_label("Drained [L]").fill("1.4")
    phone.get_by_label("with restriction").check()
    phone.get_by_label("The work waits for").fill("a washer")
    phone.get_by_role("button", name="Engine oil: done").tap()
    phone.locator("section.asked").get_by_text("Not recorded yet").wait_for()
    assert phone.get_by_label("Odometer now").input_value() == "10 700"
    assert phone.get_by_label("Drained [L]").input_value() == "1.4"
    assert phone.get_by_label("with restriction").is_checked()
    assert phone.evaluate("scrollY") > 0
    phone.locator("section.asked").get_by_label("done all the same", exact=False).fill("flat")
    phone.locator("section.asked").get_by_role("button", name="Engine oil: done").tap()
    phone.locator("section.asked").wait_for(state="detached")
    assert phone.get_by_label("Odometer now").input_value() == "10 700"
    assert phone.get_by_label("The work waits for").input_value() == "a washer"
    assert shop.job.state == "done"


def test_what_was_recorded_is_seen_at_its_step_and_its_button_gives_way(
    phone: Page, shop: Workshop
) -> None:
    card(phone, shop)
    cut_network(phone)
    phone.get_by_role("button", name=DRAIN_PLUG).tap()
    phone.locator(".queue-here").get_by_text("waiting to be sent").wait_for()
    assert not phone.get_by_role("button", name=DRAIN_PLUG).is_visible()
    folded = phone.locator("details.again:not([open]) > summary")
    assert [one.inner_text() for one in folded.all() if one.is_visible()] == ["Record again …"]
    mend_network(phone)
    phone.get_by_text("39.3 N·m, to the figure").wait_for()
    phone.locator(".queue-here").wait_for(state="detached")
    assert not phone.get_by_role("button", name=DRAIN_PLUG).is_visible()
    back = phone.locator(".recorded .take-back summary").first
    assert back.bounding_box()["height"] >= 44  # type: ignore[index]  # WCAG 2.2, 2.5.5


def test_a_row_that_waits_names_its_order_in_the_words_of_the_form_and_can_be_removed(
    phone: Page, shop: Workshop
) -> None:
    card(phone, shop)
    cut_network(phone)
    drained(phone, "5 qt")
    phone.get_by_text(ONE_WAITS).tap()
    row = phone.locator(".queue-entries li")
    row.get_by_text(
        f"{shop.order.number}, V-101: Drained: Drained [L] 5 qt, It looks dark"
    ).wait_for()
    assert phone.locator("#queue").evaluate("one => getComputedStyle(one).position") == "static"
    row.get_by_role("button", name="Remove it").tap()
    row.get_by_role("button", name="Remove it for good").tap()
    row.wait_for(state="detached")


def test_a_send_that_failed_is_tried_again_by_itself(phone: Page, shop: Workshop) -> None:
    card(phone, shop)
    phone.context.route("**/records", lambda route: route.abort("connectionreset"))
    phone.get_by_role("button", name=DRAIN_PLUG).tap()
    phone.get_by_text("Tried again by itself in 5 s").wait_for()
    phone.context.unroute_all()
    phone.get_by_text("39.3 N·m, to the figure").wait_for(timeout=20_000)
    assert TorqueRecord.objects.count() == 1


def test_signing_out_without_a_network_keeps_everything_and_says_so(
    phone: Page, shop: Workshop
) -> None:
    card(phone, shop)
    cut_network(phone)
    phone.get_by_role("button", name=DRAIN_PLUG).tap()
    phone.get_by_text(ONE_WAITS).wait_for()
    phone.get_by_role("button", name="Sign out").tap()
    phone.get_by_text("This phone still holds 1 record").wait_for()
    phone.get_by_role("button", name="Sign out all the same").tap()
    phone.get_by_text("you are still signed in, and everything is kept").wait_for()
    phone.goto("/todays-orders")  # the pages are still there
    phone.get_by_text("No network: this page is from").wait_for()
    phone.get_by_role("link", name="V-101").wait_for()
    assert Session.objects.exists()


@pytest.mark.parametrize("place", ["change", "records"])
def test_a_question_page_loaded_again_without_a_network_is_the_card(
    place: str, phone: Page, shop: Workshop
) -> None:
    card(phone, shop)
    cut_network(phone)
    phone.goto(f"{shop.page}/{place}")
    assert phone.url.endswith("/card")
    phone.get_by_role("button", name=DRAIN_PLUG).wait_for()


def test_a_slow_answer_to_a_change_is_waited_for_instead_of_showing_the_card_before_it(
    phone: Page, shop: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    soon = job_card._gaps

    def slowly(order: WorkOrder) -> Any:
        time.sleep(6 if order.state == WorkOrder.State.STARTED else 0)  # the phone waits 4 s else
        return soon(order)

    monkeypatch.setattr(job_card, "_gaps", slowly)
    phone.goto(f"{shop.page}/card")
    phone.locator("#queue[data-at-hand]").wait_for(state="attached")
    phone.get_by_role("button", name="Start").tap()
    phone.get_by_role("button", name=DRAIN_PLUG).wait_for()
    assert phone.locator("body[data-kept-at]").count() == 0
