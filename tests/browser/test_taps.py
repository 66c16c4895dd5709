"""The commonest job on a phone: few taps, few typed values, and no question."""

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import pytest

from fleet.workorders.models import Fastener, FluidRecord, Gap, Step, WorkOrder
from tests.browser.conftest import Opened, sign_in, todays_orders
from tests.cast import Cast
from tests.dashboard.workshop import Workshop, open_workshop

if TYPE_CHECKING:
    from playwright.sync_api import Locator, Page
else:
    Locator = Page = Any

MOST_TAPS, MOST_TYPED = 16, 5  # what a mechanic in gloves puts up with; our choice
STEPS = (  # an engine oil change in the order of its family
    *("prepare", "raise", "open drain plug", "drain", "close drain plug", "filter", "lower"),
    *("fill", "run", "wait", "read level", "leak check"),
)


@pytest.fixture
def shop(people: Cast) -> Workshop:
    found = open_workshop(people)
    made = found.oil.procedure  # type: ignore[attr-defined]
    made.family = "engine oil"
    made.save()
    made.steps.all().delete()
    Fastener.objects.exclude(slug="drain-plug").delete()
    Step.objects.bulk_create(
        Step(
            procedure=made,
            number=at,
            kind=kind,
            text=f"{kind.capitalize()}.",
            engine_running=kind == "run",
            fastener="drain-plug" if kind == "close drain plug" else "",
        )
        for at, kind in enumerate(STEPS, start=1)
    )
    return found


@pytest.fixture
def phone(
    hand_held: Opened, shop: Workshop, live_server: Any, complaints: list[str]
) -> Iterator[Page]:
    its = hand_held((390, 844))
    sign_in(its, shop.people.mechanic, live_server.url)
    todays_orders(its)
    yield its
    its.close()
    assert complaints == []


class Hand:
    """Counts what a hand does; a select is opened and chosen from: two taps."""

    def __init__(self, phone: Page) -> None:
        self.phone, self.taps, self.typed = phone, 0, 0

    def tap(self, place: Locator) -> None:
        place.tap()
        self.taps += 1

    def type(self, label: str, text: str) -> None:
        self.tap(self.phone.get_by_label(label, exact=True).first)
        self.phone.keyboard.type(text)
        self.typed += 1

    def choose(self, label: str, words: str) -> None:
        self.phone.get_by_label(label, exact=True).first.select_option(label=words)
        self.taps += 2

    def button(self, name: str | re.Pattern[str]) -> None:
        self.tap(self.phone.get_by_role("button", name=name).first)


def test_an_engine_oil_change_takes_few_taps_and_raises_no_question(
    phone: Page, shop: Workshop
) -> None:
    hand = Hand(phone)
    hand.tap(phone.get_by_role("link", name="V-101"))
    hand.button("Start")
    phone.get_by_label("Drained [L]").wait_for()
    hand.type("Drained [L]", "1.4")
    hand.choose("It looks", "dark")
    hand.button("Record drained")
    hand.button(re.compile("Tightened to 39.3"))
    hand.type("Filled [L]", "1.5")
    hand.choose("Product", "Right oil")
    hand.button("Record filled")
    phone.locator("ul.recorded").get_by_text("1.5").wait_for()  # or the page changes under the tap
    hand.button("The level is as it should be")
    phone.locator("ul.recorded").get_by_text("as it should be").wait_for()
    hand.button("Engine oil: done")
    phone.get_by_text("Engine oil: done.").wait_for()  # the page that takes the odometer
    hand.type("Odometer now", "10700")
    hand.tap(phone.get_by_label("yes", exact=True))
    hand.button("Finish the order")
    phone.get_by_text("is finished; due dates are up to date").wait_for()
    assert shop.now().state == WorkOrder.State.FINISHED
    assert (hand.taps <= MOST_TAPS, hand.typed <= MOST_TYPED) == (True, True), hand.taps
    assert (FluidRecord.objects.count(), Gap.objects.count()) == (2, 0)


def test_every_button_of_the_way_is_large_enough_for_a_glove(phone: Page, shop: Workshop) -> None:
    phone.get_by_role("link", name="V-101").tap()
    phone.get_by_role("button", name="Start").tap()
    phone.get_by_label("Drained [L]").wait_for()
    buttons = [one for one in phone.locator("main button").all() if one.is_visible()]
    # 44 CSS pixels: WCAG 2.2, success criterion 2.5.5
    assert min(one.bounding_box()["height"] for one in buttons) >= 44  # type: ignore[index]


def test_done_with_nothing_recorded_is_one_panel_with_a_tap_for_each(
    phone: Page, shop: Workshop, complaints: list[str]
) -> None:
    phone.get_by_role("link", name="V-101").tap()
    phone.get_by_role("button", name="Start").tap()
    phone.get_by_role("button", name="Engine oil: done").tap()
    panel = phone.locator("section.asked")
    panel.get_by_role("button", name="The level is as it should be").tap()
    panel.get_by_text("Not recorded yet").wait_for()
    panel.get_by_label("done all the same, because", exact=False).fill("phone was flat")
    panel.get_by_role("button", name="Engine oil: done").tap()
    phone.locator("section.asked").wait_for(state="detached")
    complaints.clear()  # the browser itself tells of a page that came as a question
    assert set(Gap.objects.values_list("kind", flat=True)) == {"torque", "litres"}
