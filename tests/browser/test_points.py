"""Points of a step, tapped on a phone of 360 px whose network is off: each is kept once."""

from typing import TYPE_CHECKING, Any

from fleet.vehicles.models import VehicleType
from fleet.workorders.models import Procedure, TorqueRecord
from tests.browser.conftest import card, cut_network, mend_network
from tests.dashboard.workshop import INVENTED, Workshop
from tests.workorders.wheels import WHEELS

if TYPE_CHECKING:
    from playwright.sync_api import Page
else:
    Page = Any


def test_all_four_tapped_twice_without_a_network_are_four_records(
    phone: Page, shop: Workshop
) -> None:
    VehicleType.objects.update(wheel_positions=WHEELS)
    procedure = Procedure.objects.get()
    procedure.fasteners.create(
        slug="wheel-nuts", name="Wheel nuts", torque_nm=120, seal="none", source=INVENTED
    )
    procedure.steps.create(
        number=20, kind="refit", text="Wheels on.", fastener="wheel-nuts",
        points=["each wheel"], moving_hold=True,
    )  # fmt: skip
    phone.set_viewport_size({"width": 360, "height": 800})
    card(phone, shop)
    cut_network(phone)
    for sent in (1, 2):
        phone.get_by_role("button", name="All four, to 120").tap()
        phone.get_by_text(f"{sent} record").first.wait_for()
    mend_network(phone)
    phone.get_by_text("Every point has its record already").wait_for()
    assert [row.point for row in TorqueRecord.objects.order_by("pk")] == WHEELS
