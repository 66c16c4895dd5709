"""Enter in a field does what the field is for: it presses the first button of its form.

HTML, "implicit submission": the default button is the first submit button in tree order.
"""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.test import Client

from fleet.people.models import Person
from fleet.workorders.models import ConfirmRecord, Job, Step, TorqueRecord
from tests.dashboard.forms import Form, forms_of
from tests.dashboard.test_work_orders import came_back
from tests.dashboard.workshop import Workshop

SignedIn = Callable[[Person], Client]
PAGES = Path(__file__).resolve().parents[2] / "templates"
# forms whose first button says something although there is a field to type in, each with why
SAYS_WHAT_IT_IS_FOR = {
    "_settle.html": "refused until another value is typed over the one that stands",
}


def tap(client: Client, form: Form, button: tuple[str, str], **typed: Any) -> Any:
    name, value = button
    return client.post(form.action, {**form.sent, **typed, **({name: value} if name else {})})


def enter(client: Client, form: Form, **typed: Any) -> Any:
    return tap(client, form, form.buttons[0], **typed)


@pytest.fixture
def mechanic(shop: Workshop, signed_in: SignedIn) -> Client:
    shop.start()
    return signed_in(shop.people.mechanic)


def plug(client: Client, shop: Workshop) -> Form:
    """The form of the drain plug, 39.3 N·m."""
    seen = client.get(f"{shop.page}/card").content.decode()
    return next(one for one in forms_of(seen) if one.sent.get("fastener") == ["drain-plug"])


def asked_of(answer: Any) -> Form:
    assert answer.status_code == 409
    found = [one for one in forms_of(answer.content.decode()) if "asked_value" in one.sent]
    return found[0]


# --- no form of any page ---------------------------------------------------------------------
def forms_in_source() -> list[tuple[str, str]]:
    found = []
    for path in sorted(PAGES.rglob("*.html")):
        whole = re.findall(r"<form.*?</form>", path.read_text(), re.S)
        found += [(path.name, one) for one in whole]
    return found


def first_says_something(form: str) -> bool:
    typed = re.search(r'<input(?![^>]*type="(?:hidden|checkbox|radio|file)")|_fields.html', form)
    buttons = re.findall(r"<button[^>]*>|_enter.html", form)
    return bool(typed) and len(buttons) > 1 and " name=" in buttons[0]


def test_no_form_with_a_field_to_type_in_has_a_first_button_that_says_something() -> None:
    found = {name for name, form in forms_in_source() if first_says_something(form)}
    assert found == set(SAYS_WHAT_IT_IS_FOR)


# --- a torque --------------------------------------------------------------------------------
def test_enter_records_the_torque_that_was_typed(mechanic: Client, shop: Workshop) -> None:
    enter(mechanic, plug(mechanic, shop), torque="38")
    made = TorqueRecord.objects.get()
    assert (made.torque_nm, made.to_the_figure) == (38, False)


def test_enter_on_nothing_typed_stores_nothing(mechanic: Client, shop: Workshop) -> None:
    assert enter(mechanic, plug(mechanic, shop)).status_code == 422
    assert not TorqueRecord.objects.exists()


def test_enter_on_a_doubtful_torque_asks_and_enter_there_asks_again(
    mechanic: Client, shop: Workshop
) -> None:
    asked = asked_of(enter(mechanic, plug(mechanic, shop), torque="15"))
    assert asked_of(enter(mechanic, asked)).sent["torque"] == ["15"]
    assert not TorqueRecord.objects.exists()
    enter(mechanic, asked, torque="39")
    assert TorqueRecord.objects.get().torque_nm == 39


@pytest.mark.parametrize("typed", ["15", "38"])
def test_the_button_with_the_figure_beside_another_torque_is_asked_about(
    mechanic: Client, shop: Workshop, typed: str
) -> None:
    own = plug(mechanic, shop)
    answer = tap(mechanic, own, ("whole", "yes"), torque=typed)
    asked = asked_of(answer)
    assert f"Typed is {typed} N·m, but the button says 39.3 N·m." in answer.content.decode()
    assert not TorqueRecord.objects.exists()
    assert "whole" not in asked.sent
    assert asked.buttons[1] == ("torque", "39.3 N·m")
    tap(mechanic, asked, ("override_reason", "it is what was typed"))
    assert TorqueRecord.objects.get().torque_nm == float(typed)


def test_the_figure_is_one_tap_away_where_both_came(mechanic: Client, shop: Workshop) -> None:
    asked = asked_of(tap(mechanic, plug(mechanic, shop), ("whole", "yes"), torque="38"))
    tap(mechanic, asked, asked.buttons[1])
    assert TorqueRecord.objects.get().torque_nm == 39.3


def test_the_button_with_the_figure_beside_the_same_torque_is_not_asked_about(
    mechanic: Client, shop: Workshop
) -> None:
    tap(mechanic, plug(mechanic, shop), ("whole", "yes"), torque="39.3")
    assert TorqueRecord.objects.get().torque_nm == 39.3


def test_once_more_records_what_stands_in_the_box(mechanic: Client, shop: Workshop) -> None:
    enter(mechanic, plug(mechanic, shop), torque="38")
    asked = asked_of(enter(mechanic, plug(mechanic, shop), torque="38"))
    yes = ("override_reason", "it was done once more")
    assert yes in asked.buttons
    tap(mechanic, asked, yes)
    assert [row.torque_nm for row in TorqueRecord.objects.order_by("pk")] == [38, 38]


def test_a_yes_to_one_torque_is_none_to_another(mechanic: Client, shop: Workshop) -> None:
    """15 N·m at a plug of 39.3 has not been asked about yet, whatever the answer was to."""
    enter(mechanic, plug(mechanic, shop), torque="38")
    asked = asked_of(enter(mechanic, plug(mechanic, shop), torque="38"))
    yes = ("override_reason", "it was done once more")
    again = asked_of(tap(mechanic, asked, yes, torque="15"))
    assert again.sent["asked_value"] == ["15"]
    assert TorqueRecord.objects.count() == 1
    tap(mechanic, again, ("override_reason", "bulletin 7"))
    assert TorqueRecord.objects.latest("pk").torque_nm == 15


# --- a point ---------------------------------------------------------------------------------
def test_enter_on_a_value_of_a_point_is_judged_by_the_value(
    mechanic: Client, shop: Workshop
) -> None:
    Step.objects.filter(fastener="drain-plug").update(confirm=True)
    seen = mechanic.get(f"{shop.page}/card").content.decode()
    own = next(one for one in forms_of(seen) if "value" in one.sent and "step" in one.sent)
    enter(mechanic, own, value="39")
    made = ConfirmRecord.objects.get()
    assert (made.value, made.seen) == (39, True)


# --- decisions -------------------------------------------------------------------------------
def test_enter_in_a_reason_decides_nothing(shop: Workshop, signed_in: SignedIn) -> None:
    job, client = came_back(shop), signed_in(shop.people.supervisor)
    seen = client.get("/work-orders?decide=open").content.decode()
    own = next(one for one in forms_of(seen) if one.action.endswith("/jobs"))
    enter(client, own, job=job.pk, reason="plug ordered")
    assert Job.objects.get(pk=job.pk).returned
