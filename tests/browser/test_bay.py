"""A mechanic with a phone in the bay: the card, records without a network, questions."""

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from PIL import Image

from fleet.people.links import issue
from fleet.workorders import ending, jobcard, progress
from fleet.workorders.ending import AtFinish
from fleet.workorders.models import (
    Finding,
    FluidRecord,
    Note,
    Photo,
    TorqueRecord,
    WorkOrder,
)
from tests.browser.conftest import card, cut_network, mend_network, todays_orders
from tests.dashboard.workshop import Workshop, finish

if TYPE_CHECKING:
    from playwright.sync_api import Page
else:
    Page = Any

DRAIN_PLUG = re.compile(r"Tightened to 39.3")  # N·m, as 29 lbf·ft; worked example, no source
SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


def all_the_same(phone: Page) -> None:
    """Done with something not recorded: the panel takes the reason."""
    panel = phone.locator("section.asked")
    panel.get_by_label("done all the same, because").fill("not tried here")
    panel.get_by_role("button", name="Engine oil: done").tap()
    panel.wait_for(state="detached")


def test_one_tap_after_signing_in_shows_the_torque_of_the_drain_plug(
    phone: Page, shop: Workshop
) -> None:
    phone.context.clear_cookies()  # nobody is signed in
    phone.goto(issue(shop.people.mechanic))
    phone.get_by_role("link", name="V-101").tap()
    figure = phone.get_by_label("Torques of Engine oil").get_by_text("39.3")
    assert figure.bounding_box()["y"] < 800  # type: ignore[index]


def test_torques_stand_high_and_what_is_long_is_folded_on_a_phone_but_no_caution(
    phone: Page, shop: Workshop
) -> None:
    card(phone, shop)
    figure = phone.get_by_label("Torques of Engine oil").get_by_text("39.3")
    assert figure.bounding_box()["y"] < 640  # type: ignore[index]  # a fifth of the screen to spare
    tools = phone.locator("details.need", has_text="Tools").first
    assert not tools.locator("ul").is_visible()
    tools.locator("summary").tap()
    assert tools.locator("ul").is_visible()
    assert all(one.is_visible() for one in phone.locator(".caution").all())
    phone.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert all(one.is_visible() for one in phone.locator("details.need ul").all())


def test_two_taps_from_todays_orders_to_the_torque_of_the_drain_plug(phone: Page) -> None:
    taps = 0
    todays_orders(phone)
    link = phone.get_by_role("link", name="V-101")
    assert "39.3" not in phone.locator("main").inner_text()
    link.tap()
    taps += 1
    phone.get_by_label("Torques of Engine oil").get_by_text("39.3").wait_for()
    assert taps <= 2


def test_targets_on_the_card_are_large_enough_for_a_gloved_finger(
    phone: Page, shop: Workshop
) -> None:
    card(phone, shop)
    buttons = [one for one in phone.locator("main button").all() if one.is_visible()]
    # 44 CSS pixels: WCAG 2.2, success criterion 2.5.5
    assert min(one.bounding_box()["height"] for one in buttons) >= 44  # type: ignore[index]


@pytest.mark.parametrize("width", [360, 768, 1440])
def test_no_page_about_work_scrolls_sideways(width: int, phone: Page, shop: Workshop) -> None:
    card(phone, shop)
    phone.set_viewport_size({"width": width, "height": 800})
    pages = ("/todays-orders", "/work-orders", "/findings", "/people-and-tokens", "/vehicles/V-101")
    for address in (*pages, "/vehicles/V-101/evidence", shop.page, f"{shop.page}/card"):
        phone.goto(address)
        assert phone.evaluate(SIDEWAYS) <= 0, address


def test_the_shares_done_on_time_fit_a_phone(phone: Page, shop: Workshop) -> None:
    finish(shop)
    phone.goto("/work-orders")
    phone.get_by_text("(100 %)").first.wait_for()
    assert phone.evaluate(SIDEWAYS) <= 0


def test_an_order_is_done_from_start_to_finish_on_the_phone(phone: Page, shop: Workshop) -> None:
    todays_orders(phone)
    phone.goto(f"{shop.page}/card")
    phone.get_by_role("button", name="Start").tap()
    phone.get_by_role("button", name=DRAIN_PLUG).tap()
    phone.get_by_text("39.3 N·m, to the figure").wait_for()
    phone.get_by_role("button", name="Engine oil: done").tap()
    all_the_same(phone)
    phone.get_by_label("Odometer now").fill("10 700")
    phone.get_by_label("yes").check()
    phone.get_by_role("button", name="Finish the order").tap()
    phone.get_by_text("is finished; due dates are up to date").wait_for()
    assert shop.now().state == WorkOrder.State.FINISHED


def test_a_doubtful_odometer_is_asked_about_at_once(phone: Page, shop: Workshop) -> None:
    card(phone, shop)
    progress.end_job(
        shop.actor(shop.people.mechanic), shop.job.pk, state="done", because="not tried here"
    )
    phone.reload()
    phone.get_by_label("Odometer now").fill("107 000")
    phone.get_by_label("yes").check()
    phone.get_by_role("button", name="Finish the order").tap()
    phone.get_by_role("heading", name="please look again").wait_for()


def test_a_slip_is_asked_about_and_a_reason_lets_it_stand(phone: Page, shop: Workshop) -> None:
    card(phone, shop)
    phone.get_by_text("another value").first.tap()
    phone.get_by_label("Tightened to another value").first.fill("29")
    phone.get_by_role("button", name="Record the typed value").first.tap()
    phone.get_by_text("lbf·ft instead of N·m").wait_for()
    assert 0 <= phone.locator(".asked").bounding_box()["y"] < 800  # type: ignore[index]
    assert phone.get_by_label("Tightened to another value").first.is_visible()  # still at the step
    assert not TorqueRecord.objects.exists()
    phone.get_by_label("It is right, because").fill("bulletin 7")
    phone.locator(".asked").get_by_role("button", name="Record", exact=True).tap()
    phone.get_by_text("it stands, because bulletin 7").wait_for()
    assert TorqueRecord.objects.get().override_reason == "bulletin 7"


def test_records_made_without_a_network_are_sent_in_order_when_it_is_back(
    phone: Page, shop: Workshop
) -> None:
    card(phone, shop)
    cut_network(phone)
    phone.get_by_role("button", name=DRAIN_PLUG).tap()
    phone.get_by_text("1 record waits to be sent").wait_for()
    phone.get_by_text("Add a note").tap()
    phone.get_by_label("Note").fill("magnet clean")
    phone.get_by_role("button", name="Add note").tap()
    phone.get_by_text("2 records wait to be sent").wait_for()
    assert not TorqueRecord.objects.exists()
    mend_network(phone)
    phone.get_by_text("magnet clean Mika").wait_for()
    torque, note = TorqueRecord.objects.get(), Note.objects.get()
    assert torque.performed_at < note.performed_at
    assert torque.recorded_at < note.recorded_at


def test_everything_seen_at_the_vehicle_is_kept_offline_and_survives_a_reload(
    phone: Page, shop: Workshop, tmp_path: Path, settings: Any
) -> None:
    settings.MEDIA_ROOT = tmp_path / "kept"
    picture = tmp_path / "plug.png"
    Image.new("RGB", (40, 30), "grey").save(picture)
    card(phone, shop)
    cut_network(phone)
    phone.get_by_role("button", name=DRAIN_PLUG).tap()
    phone.get_by_label("Drained [L]").fill("1.4")
    phone.get_by_label("It looks").select_option("dark")
    phone.get_by_role("button", name="Record drained").tap()
    phone.get_by_text("Report a finding elsewhere").tap()
    form = phone.locator("details", has_text="Report a finding elsewhere").locator("form")
    for select in form.locator("select[required]").all():
        select.select_option(index=1)
    form.get_by_label("In words").fill("damp at the pan")
    form.get_by_role("button", name="Report", exact=True).tap()
    phone.get_by_text("Add a photo").tap()
    phone.get_by_label("Photo", exact=True).set_input_files(picture)
    phone.get_by_role("button", name="Add photo").tap()
    phone.get_by_text("4 records wait to be sent").wait_for()
    phone.reload()
    phone.get_by_text("4 records wait to be sent").wait_for()
    assert not TorqueRecord.objects.exists()
    mend_network(phone)
    phone.locator("#photos img").wait_for()
    assert FluidRecord.objects.get().look == "dark"
    assert (Finding.objects.get().text, Photo.objects.get().width_px) == ("damp at the pan", 40)
    assert TorqueRecord.objects.get().performed_at < FluidRecord.objects.get().performed_at


def test_a_second_person_on_the_same_phone_sends_nothing_of_the_first(
    phone: Page, shop: Workshop
) -> None:
    card(phone, shop)
    cut_network(phone)
    phone.get_by_role("button", name=DRAIN_PLUG).tap()
    phone.get_by_text("1 record waits to be sent").wait_for()
    phone.goto("about:blank")  # away from every page that sends, while the person changes
    phone.context.clear_cookies(name="sessionid")
    mend_network(phone)
    phone.goto(issue(shop.people.supervisor))
    phone.goto(f"{shop.page}/card")
    phone.get_by_text("1 more wait for the person who made them").wait_for()
    assert not phone.get_by_role("button", name="Send now").is_visible()
    phone.get_by_role("button", name=DRAIN_PLUG).tap()
    phone.get_by_text("39.3 N·m, to the figure").wait_for()
    assert TorqueRecord.objects.get().person == shop.people.supervisor


def test_a_slip_read_again_settles_the_odometer_on_the_card(phone: Page, shop: Workshop) -> None:
    card(phone, shop)
    actor = shop.actor(shop.people.mechanic)
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    ending.finish(actor, shop.order.pk, AtFinish(odometer=107_000, fit_for_use="yes"))
    phone.reload()
    phone.get_by_label("Odometer, read again").fill("10 700")
    phone.get_by_role("button", name="Correct it").tap()
    phone.get_by_text("is accepted now").wait_for()


def test_the_day_and_its_cards_open_without_a_network(phone: Page, shop: Workshop) -> None:
    card(phone, shop)
    cut_network(phone)
    phone.goto("/todays-orders")
    phone.get_by_role("link", name="V-101").tap()
    phone.get_by_role("button", name=DRAIN_PLUG).tap()
    phone.get_by_text("1 record waits to be sent").wait_for()
    phone.reload()
    phone.get_by_text("1 record waits to be sent").wait_for()
    mend_network(phone)
    phone.get_by_text("39.3 N·m, to the figure").wait_for()


def test_a_lost_session_loses_no_record(phone: Page, shop: Workshop) -> None:
    card(phone, shop)
    phone.context.clear_cookies(name="sessionid")
    phone.get_by_role("button", name=DRAIN_PLUG).tap()
    phone.get_by_text("You were signed out. Nothing is lost").wait_for()
    phone.goto(issue(shop.people.supervisor))
    phone.goto("/todays-orders")
    phone.get_by_text("wait for the person who made them").wait_for()
    assert not TorqueRecord.objects.exists()
    phone.goto(issue(shop.people.mechanic))
    phone.get_by_text("drain plug: 39.3 N·m").wait_for()
    assert TorqueRecord.objects.get().person == shop.people.mechanic


def test_paper_carries_cautions_boxes_and_the_code_and_nothing_to_press(
    phone: Page, shop: Workshop
) -> None:
    card(phone, shop)
    phone.emulate_media(media="print")
    phone.goto(f"{shop.page}/card")
    (job,) = jobcard.card(shop.order.pk, [shop.order.depot]).jobs
    told = [*job.cautions, *(one for step in job.steps for one in step.cautions)]
    assert phone.locator(".caution").count() == len(told) > 0
    assert all(one.is_visible() for one in phone.locator(".caution").all())
    assert phone.get_by_alt_text("QR code").is_visible()
    assert phone.locator("button:visible, input:visible, select:visible").count() == 0


def test_the_ways_off_a_card_and_a_list_are_large_enough_for_a_thumb(
    page: Page, shop: Workshop
) -> None:
    """44 CSS pixels: WCAG 2.2, success criterion 2.5.5."""
    page.set_viewport_size({"width": 360, "height": 800})
    page.goto(f"{shop.page}/card")
    for link in page.locator(".ways a").all():
        assert link.bounding_box()["height"] >= 44  # type: ignore[index]
    page.goto("/todays-orders?whose=mine")
    everybody = page.get_by_role("link", name="Everybody's orders")
    assert everybody.bounding_box()["height"] >= 44  # type: ignore[index]


def test_the_menu_of_a_phone_fades_where_it_goes_on_and_its_last_page_is_not_in_the_fade(
    page: Page,
) -> None:
    page.set_viewport_size({"width": 360, "height": 800})
    page.goto("/readings")
    menu = page.locator(".pages")
    assert "gradient" in menu.evaluate("(one) => getComputedStyle(one).maskImage")
    menu.evaluate("(one) => { one.scrollLeft = one.scrollWidth }")
    last = menu.locator("a").last.bounding_box()
    assert last is not None
    assert last["x"] + last["width"] <= 360 - 44
