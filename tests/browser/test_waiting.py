"""Records that wait on a phone: one for each tap, corrected at their step, before the end."""

from typing import TYPE_CHECKING, Any

import pytest

from fleet.workorders.models import FluidRecord, Note, TorqueRecord
from tests.browser.conftest import card, cut_network, mend_network
from tests.browser.test_bay import DRAIN_PLUG, all_the_same
from tests.dashboard.workshop import Workshop

if TYPE_CHECKING:
    from playwright.sync_api import Page
else:
    Page = Any

SEEN = """one => {
  const { top, bottom } = one.getBoundingClientRect();
  return 0 <= top && bottom <= innerHeight;
}"""

KEPT = """async () => {
  const base = await new Promise((take) => {
    const asked = indexedDB.open("sumpwise", 1);
    asked.onsuccess = () => take(asked.result);
  });
  const asked = base.transaction("records").objectStore("records").count();
  const count = await new Promise((take) => { asked.onsuccess = () => take(asked.result); });
  base.close();
  return count;
}"""


def note(phone: Page, text: str) -> None:
    phone.locator("details:has(#note)").evaluate("one => { one.open = true }")
    phone.get_by_label("Note").fill(text)
    phone.get_by_role("button", name="Add note").tap()


def drained(phone: Page, litres: str) -> None:
    phone.get_by_label("Drained [L]").fill(litres)
    phone.get_by_label("It looks").select_option("dark")
    phone.get_by_role("button", name="Record drained").tap()


@pytest.mark.parametrize("pause_ms", [0, 300])
def test_a_double_tap_makes_one_record(pause_ms: int, phone: Page, shop: Workshop) -> None:
    card(phone, shop)
    tap = "(one, pause) => { one.click(); setTimeout(() => one.click(), pause) }"
    phone.get_by_role("button", name=DRAIN_PLUG).evaluate(tap, pause_ms)
    phone.get_by_text("39.3 N·m, to the figure").wait_for()
    note(phone, "after both taps")
    phone.get_by_text("after both taps Mika").wait_for()
    assert TorqueRecord.objects.count() == 1


def test_two_fillings_of_a_form_are_two_records(phone: Page, shop: Workshop) -> None:
    card(phone, shop)
    for text in ("first", "second"):
        note(phone, text)
        phone.get_by_text(f"{text} Mika").wait_for()
    assert Note.objects.values("client_key").distinct().count() == 2


def test_what_is_recorded_while_the_page_is_brought_up_to_date_is_sent_too(
    phone: Page, shop: Workshop
) -> None:
    card(phone, shop)
    held: list[Any] = []  # the page asking what is recorded by now, the first time

    def hold_the_first(route: Any) -> None:
        held.append(route)
        if len(held) > 1:
            route.continue_()

    phone.context.route("**/card", hold_the_first)
    note(phone, "first")
    while not held:
        phone.wait_for_timeout(50)
    note(phone, "second")
    while phone.evaluate(KEPT) != 1:  # the first is sent; the second waits on the phone
        phone.wait_for_timeout(50)
    held[0].continue_()
    phone.get_by_text("second Mika").wait_for()
    assert Note.objects.count() == 2


@pytest.mark.parametrize("button", ["Engine oil: done", "Finish the order"])
def test_done_and_finish_wait_while_the_phone_holds_records(
    button: str, phone: Page, shop: Workshop
) -> None:
    card(phone, shop)
    phone.get_by_label("Odometer now").fill("10 700")
    phone.get_by_label("yes").check()
    cut_network(phone)
    phone.get_by_role("button", name=DRAIN_PLUG).tap()
    phone.get_by_text("1 record waits to be sent").wait_for()
    phone.get_by_role("button", name=button).tap()
    phone.get_by_text("this phone still holds 1 record of the order").wait_for()
    assert (shop.job.state, shop.now().state) == ("open", "started")
    mend_network(phone)
    phone.get_by_text("39.3 N·m, to the figure").wait_for()
    phone.get_by_role("button", name="Engine oil: done").tap()
    all_the_same(phone)
    phone.get_by_text("Engine oil: done.").wait_for()
    assert shop.job.state == "done"


def test_done_sends_what_waits_and_goes_on_with_the_same_tap(phone: Page, shop: Workshop) -> None:
    card(phone, shop)
    cut_network(phone)
    phone.get_by_role("button", name=DRAIN_PLUG).tap()
    phone.get_by_text("1 record waits to be sent").wait_for()
    phone.context.unroute_all()  # there again, and nobody has told the page
    phone.get_by_role("button", name="Engine oil: done").tap()
    all_the_same(phone)
    phone.get_by_text("Engine oil: done.").wait_for()
    assert (shop.job.state, TorqueRecord.objects.count()) == ("done", 1)


def test_the_order_page_waits_too(phone: Page, shop: Workshop) -> None:
    card(phone, shop)
    cut_network(phone)
    note(phone, "magnet clean")
    phone.get_by_text("1 record waits to be sent").wait_for()
    # first the one, then the other: the phone tries again by itself in between
    phone.context.route("**/records", lambda route: route.abort("internetdisconnected"))
    phone.context.unroute("**/*")
    phone.goto(shop.page)
    phone.get_by_text("Interrupt or finish without the card").tap()
    phone.get_by_label("Odometer now").fill("10 700")
    phone.get_by_label("yes").check()
    phone.get_by_role("button", name="Finish the order").tap()
    phone.get_by_text("this phone still holds 1 record of the order").wait_for()
    assert shop.now().state == "started"


def test_a_refused_record_is_corrected_at_its_step_and_those_behind_it_go_on(
    phone: Page, shop: Workshop
) -> None:
    card(phone, shop)
    cut_network(phone)
    drained(phone, "much")
    phone.get_by_text("1 record waits to be sent").wait_for()
    note(phone, "second")
    phone.get_by_text("2 records wait to be sent").wait_for()
    mend_network(phone)
    phone.get_by_text("second Mika").wait_for()
    again = phone.locator(f"#job-{shop.job.pk} .queue-correct")
    assert again.get_by_label("It looks").input_value() == "dark"
    assert not FluidRecord.objects.exists()
    again.get_by_label("Drained [L]").fill("1.4")
    again.get_by_role("button", name="Send it again").tap()
    phone.get_by_text("drained 1.4 L, dark").wait_for()
    assert (FluidRecord.objects.get().quantity_ml, again.count()) == (1400, 0)


def test_a_stopped_record_leaves_the_mechanic_at_their_step(phone: Page, shop: Workshop) -> None:
    card(phone, shop)
    drained(phone, "much")
    block = phone.locator(".queue-stopped")
    block.get_by_text("is started, version").wait_for()
    phone.wait_for_function(
        "document.querySelector('.queue-stopped').getBoundingClientRect().bottom <= innerHeight"
    )
    assert phone.get_by_role("button", name="Record drained").evaluate(SEEN)


def test_a_refusal_shows_both_sides_and_can_be_thrown_away(phone: Page, shop: Workshop) -> None:
    card(phone, shop)
    drained(phone, "much")
    phone.get_by_text("is started, version").wait_for()
    mine = phone.locator(".queue-correct")
    assert mine.get_by_label("Drained [L]").input_value() == "much"
    assert mine.get_by_label("It looks").input_value() == "dark"
    phone.get_by_role("button", name="Throw this record away").tap()
    phone.locator(".queue-stopped").wait_for(state="detached")
    assert not FluidRecord.objects.exists()


def test_what_waits_is_corrected_before_it_is_sent(phone: Page, shop: Workshop) -> None:
    card(phone, shop)
    cut_network(phone)
    drained(phone, "5.1")
    phone.get_by_text("1 record waits to be sent").wait_for()
    phone.locator(".queue-waiting > summary").tap()
    phone.locator(".queue-entries").get_by_role("button", name="Correct it").tap()
    correction = phone.locator(".queue-correct")
    correction.get_by_label("Drained [L]").fill("1.4")
    correction.get_by_role("button", name="Send it again").tap()
    phone.get_by_text("1 record waits to be sent").wait_for()
    mend_network(phone)
    phone.get_by_text("drained 1.4 L").first.wait_for()
    assert FluidRecord.objects.get().quantity_ml == 1400
