"""The job card on paper."""

from typing import TYPE_CHECKING, Any

from fleet.workorders.models import Procedure, Step, TorqueRecord
from tests.browser.conftest import card
from tests.dashboard.workshop import INVENTED, Workshop

if TYPE_CHECKING:
    from playwright.sync_api import Page
else:
    Page = Any

# A4 is 210 × 297 mm (ISO 216); 14 mm of margin all round; a CSS pixel is 1/96 in
WIDE_PX, HIGH_PX = round((210 - 28) / 25.4 * 96), round((297 - 28) / 25.4 * 96)
FIRST_STEP = """found => {
    const box = found.getBoundingClientRect();
    return [box.top + scrollY, box.bottom + scrollY];
}"""


def much_to_fetch(shop: Workshop) -> None:
    """As many tools and parts as the longest card of the demo has."""
    procedure = Procedure.objects.get(service=shop.oil)
    for at in range(14):
        procedure.tools.create(name=f"Torque wrench {at}", size="20 to 100 N·m, 1/2 in square")
    for at in range(6):
        procedure.materials.create(
            kind="seal", name=f"Copper washer {at + 18} × 24 × 1.5 mm", pieces=1, source=INVENTED
        )


def test_the_steps_begin_on_the_first_page(page: Page, shop: Workshop) -> None:
    much_to_fetch(shop)
    page.goto(f"{shop.page}/card")
    page.emulate_media(media="print")
    page.set_viewport_size({"width": WIDE_PX, "height": HIGH_PX})
    top, bottom = page.locator(".card-steps > li").first.evaluate(FIRST_STEP)
    tools = page.get_by_text("Torque wrench 13")
    assert tools.is_visible()
    assert 0 < top < bottom <= HIGH_PX


def test_a_card_printed_after_a_correction_agrees_with_what_is_recorded(
    phone: Page, shop: Workshop
) -> None:
    """Without loading it again: the box follows the record, and what was said is not printed."""
    card(phone, shop)
    step = Step.objects.get(fastener="drain-plug", kind="close drain plug")
    box, tightened = phone.locator(f"#box-{shop.job.pk}-{step.number}"), "Tightened to 39.3"
    recorded = phone.locator("ul.recorded li:not(.gone)")
    phone.get_by_role("button", name=tightened).tap()
    recorded.get_by_text("39.3").wait_for()
    phone.locator(".box-done").first.wait_for(state="attached")
    assert "box-done" in (box.get_attribute("class") or "")
    recorded.get_by_text("Take back").tap()
    phone.get_by_label("Why it is wrong").fill("another plug")
    phone.get_by_role("button", name="Take it back").tap()
    said = phone.get_by_text("Taken back:")
    said.wait_for()
    assert "box-done" not in (box.get_attribute("class") or "")
    phone.get_by_role("button", name=tightened).tap()
    phone.locator(".box-done").first.wait_for(state="attached")
    phone.emulate_media(media="print")
    assert "box-done" in (box.get_attribute("class") or "")
    assert (said.count(), said.is_visible()) == (1, False)
    assert TorqueRecord.objects.filter(withdrawn_by=None).count() == 1
