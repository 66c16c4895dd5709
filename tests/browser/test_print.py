"""The job card on paper."""

from typing import TYPE_CHECKING, Any

from fleet.workorders.models import Procedure
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
