"""A torque is typed in the unit that the form showed, whatever its reader chose since.

1 lbf·ft is 0.3048 m times 4.4482216152605 N, 1.3558179483314 N·m (NIST SP 811): 29 of them are
39.31872 N·m, and 39.3 of them 53.28365 N·m.
"""

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone
from rest_framework.test import APIClient

from fleet.people import manage
from fleet.people.models import Person
from fleet.workorders import progress
from fleet.workorders.models import ConfirmRecord, Fastener, Note, Step, TorqueRecord
from tests.api.routes import address
from tests.dashboard.forms import forms_of
from tests.dashboard.rendered import form, page, send
from tests.dashboard.test_overview import text
from tests.dashboard.workshop import Workshop, in_words

SignedIn = Callable[[Person], Client]
PLUG = 'name="fastener" value="drain-plug"'


def read_torques_in(person: Person, unit: str) -> None:
    manage.read_in(person, fluid_unit="L", temperature_unit="°C", torque_unit=unit)


def words(html: str) -> str:
    return text(html).replace("\u202f", " ")


@pytest.fixture
def mechanic(shop: Workshop, signed_in: SignedIn) -> Client:
    """Who reads torques in lbf·ft, at an order under way."""
    shop.start()
    read_torques_in(shop.people.mechanic, "lbf·ft")
    return signed_in(shop.people.mechanic)


def test_a_bare_figure_is_in_the_unit_of_the_label(shop: Workshop, mechanic: Client) -> None:
    card = page(mechanic, f"{shop.page}/card")
    assert "Tightened to another value [lbf·ft]" in words(card)
    assert send(mechanic, card, PLUG, torque="29").status_code == 302
    record = TorqueRecord.objects.get()
    assert record.torque_nm == pytest.approx(39.31872, abs=1e-5)
    assert (record.typed, record.question) == ("29 lbf·ft", "")
    seen = words(page(mechanic, f"{shop.page}/card"))
    assert "29 lbf·ft (39.3 N·m), wrench TW-3" in seen
    read_torques_in(shop.people.mechanic, "N·m")
    seen = words(page(mechanic, f"{shop.page}/card"))
    assert "39.3 N·m as typed: 29 lbf·ft, wrench TW-3" in seen


@pytest.mark.parametrize(
    ("shown", "since", "typed", "kept_nm"),
    [("lbf·ft", "N·m", "29", 39.31872), ("N·m", "lbf·ft", "39.3", 39.3)],
)
def test_a_unit_chosen_between_loading_and_sending_does_no_harm(
    shop: Workshop, mechanic: Client, shown: str, since: str, typed: str, kept_nm: float
) -> None:
    read_torques_in(shop.people.mechanic, shown)
    card = page(mechanic, f"{shop.page}/card")
    read_torques_in(shop.people.mechanic, since)
    send(mechanic, card, PLUG, torque=typed)
    assert TorqueRecord.objects.get().torque_nm == pytest.approx(kept_nm, abs=1e-5)


@pytest.mark.parametrize("typed", ["39.3 N·m", "39,3 Nm", "29 lbf·ft", "348 lbf·in"])
def test_a_unit_written_behind_counts_as_written(
    shop: Workshop, mechanic: Client, typed: str
) -> None:
    """348 lbf·in are 29 lbf·ft: by twelve inches to the foot."""
    send(mechanic, page(mechanic, f"{shop.page}/card"), PLUG, torque=typed)
    assert TorqueRecord.objects.get().torque_nm == pytest.approx(39.3, abs=0.02)


def test_a_slip_is_asked_about_in_that_unit_and_one_tap_records_what_was_meant(
    shop: Workshop, mechanic: Client
) -> None:
    asked = send(mechanic, page(mechanic, f"{shop.page}/card"), PLUG, torque="39.3")
    html = asked.content.decode()
    assert asked.status_code == 409
    assert "39.3 lbf·ft (53.3 N·m), but the figure is 29 lbf·ft (39.3 N·m)." in words(html)
    assert "Typed [lbf·ft]; correct it here" in words(html)
    assert "29 lbf·ft (39.3 N·m): the figure in N·m, read as lbf·ft" in words(html)
    (own,) = [one for one in forms_of(html) if "override_reason" in one.sent]
    assert own.buttons[1] == ("torque", "39.3 N·m")
    read_torques_in(shop.people.mechanic, "N·m")
    mechanic.post(own.action, {**own.sent, "torque": own.buttons[1][1]})
    assert (TorqueRecord.objects.get().torque_nm, TorqueRecord.objects.get().typed) == (39.3, "")


def test_what_is_put_right_in_the_question_is_in_the_unit_of_its_label(
    shop: Workshop, mechanic: Client
) -> None:
    where, fields = form(page(mechanic, f"{shop.page}/card"), PLUG)
    given = {**fields, "torque": "39.3", "person": shop.people.mechanic.pk}
    told = mechanic.post(where, given, headers={"X-Queue": "1"}).json()
    assert "[lbf·ft]" in told["html"]
    assert "of 29 lbf·ft" not in told["said"]
    (own,) = forms_of(told["html"])
    mechanic.post(own.action, {**own.sent, "torque": "28.9"})
    # by hand: 28.9 times 1.3558179483
    assert TorqueRecord.objects.get().torque_nm == pytest.approx(39.18314, abs=1e-5)


def test_a_range_is_said_and_typed_in_the_readers_unit(shop: Workshop, mechanic: Client) -> None:
    """By hand: 55 and 65 N·m are 40.57 and 47.94 lbf·ft, and 45 lbf·ft are 61.01 N·m."""
    Fastener.objects.filter(slug="drain-plug").update(torque_nm=55, torque_max_nm=65)
    card = page(mechanic, f"{shop.page}/card")
    assert "Tightened to [lbf·ft], from 40.6 to 47.9" in words(card)
    send(mechanic, card, PLUG, torque="45")
    assert TorqueRecord.objects.get().torque_nm == pytest.approx(61.0118, abs=1e-4)


def test_a_figure_of_the_makers_book_is_typed_in_it_too(
    shop: Workshop, signed_in: SignedIn
) -> None:
    """By hand: 18 and 20 lbf·ft are 24.4047 and 27.1164 N·m."""
    job = in_words(shop)
    read_torques_in(shop.people.mechanic, "lbf·ft")
    client = signed_in(shop.people.mechanic)
    card = page(client, f"/work-orders/{job.order.number}/card")
    for label in ("maker's book [lbf·ft]", "of a range [lbf·ft]", "Tightened to [lbf·ft]"):
        assert label in words(card).replace("&#x27;", "'")
    given = {"name": "Cover bolt", "figure": "18", "figure_to": "20", "torque": "19"}
    send(client, card, 'name="figure"', **given, figure_source="maker's book (invented)")
    record = TorqueRecord.objects.get()
    # by hand: 19 times 1.3558179483
    assert record.torque_nm == pytest.approx(25.76054, abs=1e-5)
    assert record.reference_nm == pytest.approx(24.40472, abs=1e-5)


def at_a_step(shop: Workshop) -> Step:
    """A step to confirm whose figure is the torque of the drain plug."""
    step = Step.objects.filter(fastener="drain-plug").get()
    step.confirm = True
    step.save()
    return step


def test_the_value_of_a_point_is_typed_in_it_and_kept_in_newton_metres(
    shop: Workshop, mechanic: Client
) -> None:
    step = at_a_step(shop)
    card = page(mechanic, f"{shop.page}/card")
    send(mechanic, card, f'id="value-{shop.job.pk}-{step.number}"', value="29", seen="")
    made = ConfirmRecord.objects.get()
    assert (round(made.value or 0, 5), made.unit, made.seen) == (39.31872, "N·m", True)


def test_a_torque_that_comes_after_the_order_was_cancelled_is_noted_with_its_unit(
    shop: Workshop, mechanic: Client
) -> None:
    card, then = page(mechanic, f"{shop.page}/card"), timezone.now().isoformat()
    progress.cancel(shop.actor(shop.people.supervisor), shop.order.pk, reason="sold")
    send(mechanic, card, PLUG, torque="29", performed_at=then)
    assert "torque 29 lbf·ft" in Note.objects.get().text
    assert "torque unit" not in Note.objects.get().text


def test_a_form_that_a_phone_kept_from_before_is_in_newton_metres(
    shop: Workshop, mechanic: Client
) -> None:
    where, fields = form(page(mechanic, f"{shop.page}/card"), PLUG)
    del fields["torque_unit"]
    mechanic.post(where, {**fields, "torque": "39.3"})
    assert (TorqueRecord.objects.get().torque_nm, TorqueRecord.objects.get().typed) == (39.3, "")


def test_a_unit_that_no_form_shows_is_refused(shop: Workshop, mechanic: Client) -> None:
    card = page(mechanic, f"{shop.page}/card")
    assert send(mechanic, card, PLUG, torque="29 Nm", torque_unit="lbs").status_code == 422
    assert not TorqueRecord.objects.exists()


# --- by API ---------------------------------------------------------------------------------
def confirm(client: APIClient, shop: Workshop, step: Step, key: str, **given: Any) -> Any:
    told = {"client_key": f"api-torque-{key}", "step": step.number, **given}
    return client.post(address(f"jobs/{shop.job.pk}/confirms"), told, "json")


def test_the_unit_that_comes_with_a_value_is_taken_at_its_word(
    shop: Workshop, mechanic: Client
) -> None:
    """89 lbf·ft are 120.7 N·m, far above 39.3, and 29 of them just that."""
    step, client = at_a_step(shop), APIClient()
    client.force_login(shop.people.mechanic)
    well = confirm(client, shop, step, "a", value=29, unit="lbf·ft")
    assert (well.status_code, well.json()["seen"], well.json()["unit"]) == (201, True, "N·m")
    assert ConfirmRecord.objects.get().value == pytest.approx(39.31872, abs=1e-5)
    again = confirm(client, shop, step, "a", value=29, unit="lbf·ft")
    assert again.json()["id"] == well.json()["id"]
    refused = confirm(client, shop, step, "b", value=29, unit="mm")
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "#/unit")
