"""Torques on the page of a procedure begin in the unit of whoever looks, and say it.

By hand, 1 lbf·ft being 1.3558179 N·m (NIST SP 811): 160.1234, 20 and 100 N·m are 118.1, 14.8, 73.8
lbf·ft, and 120 lbf·ft are 162.698 N·m.
"""

import re
from html import unescape
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from fleet.people.models import Person
from fleet.workorders.models import Procedure, Tool
from fleet.workorders.torque_field import TorqueField
from tests.dashboard.forms import forms_of
from tests.workorders.conftest import Bay
from tests.workorders.test_admin import client, gearbox_form, sent

__all__ = ["client"]
KEPT_NM = [160.1234, 20.0, 100.0]
NUTS = "wheel_nut_torque_nm"


@pytest.fixture
def page(bay: Bay, client: Client) -> Client:
    sent(client, gearbox_form(bay))
    Procedure.objects.update(wheel_nut_torque_nm=KEPT_NM[0])
    Tool.objects.filter(kind="torque wrench").update(least_nm=KEPT_NM[1], most_nm=KEPT_NM[2])
    return client


def reads(unit: str) -> None:
    Person.objects.filter(username="chief").update(torque_unit=unit)


def form(page: Client) -> tuple[str, dict[str, Any]]:
    """Where the page is sent, and what goes out untouched."""
    where = reverse("admin:workorders_procedure_change", args=[Procedure.objects.get().pk])
    html = page.get(where).content.decode()
    (own,) = [one for one in forms_of(html) if "edition" in one.sent]
    long = re.findall(r'<textarea name="([^"]+)"[^>]*>\s?(.*?)</textarea>', html, re.DOTALL)
    chosen = {one.name: one.sent for one in own.selects}
    return where, {**own.sent, **chosen, **{name: unescape(text) for name, text in long}}


def kept() -> list[float | None]:
    """Of the wheel nuts, and of the range of the torque wrench."""
    wrench = Tool.objects.get(kind="torque wrench")
    return [Procedure.objects.get().wheel_nut_torque_nm, wrench.least_nm, wrench.most_nm]


def test_they_begin_in_the_readers_unit_which_stands_beside_them(page: Client) -> None:
    reads("lbf·ft")
    _, typed = form(page)
    first = next(name[:-9] for name, value in typed.items() if value == ["14.8"])
    shown = [typed[NUTS], typed[f"{first}-least_nm"], typed[f"{first}-most_nm"]]
    assert shown == [["118.1"], ["14.8"], ["73.8"]]
    units = {value for name, value in typed.items() if name.endswith("_nm_unit")}
    assert units == {"lbf·ft"}


@pytest.mark.parametrize("since", ["N·m", "lbf·ft"])
@pytest.mark.parametrize("shown", ["N·m", "lbf·ft"])
def test_sent_untouched_they_stay_to_the_last_digit(page: Client, shown: str, since: str) -> None:
    reads(shown)
    where, typed = form(page)
    reads(since)
    assert page.post(where, typed).status_code == 302
    assert kept() == KEPT_NM


@pytest.mark.parametrize(
    ("unit", "nm"), [("lbf·ft", 162.698), ("N·m", 120), ("lbf·in", 13.558), ("kgf·m", 1176.798)]
)
def test_what_is_typed_is_in_the_unit_beside_it(page: Client, unit: str, nm: float) -> None:
    reads("lbf·ft")
    where, typed = form(page)
    reads("N·m")
    assert page.post(where, {**typed, NUTS: "120", f"{NUTS}_unit": unit}).status_code == 302
    assert kept()[0] == pytest.approx(nm, abs=5e-4)
    assert kept()[1:] == KEPT_NM[1:]


def test_none_is_none_and_a_page_from_before_is_in_newton_metres(page: Client) -> None:
    where, typed = form(page)
    assert page.post(where, {**typed, NUTS: ""}).status_code == 302
    assert kept()[0] is None
    del typed[f"{NUTS}_unit"]
    assert page.post(where, {**typed, NUTS: "170"}).status_code == 302
    assert kept()[0] == 170


def test_no_other_unit_is_taken(page: Client) -> None:
    where, typed = form(page)
    assert page.post(where, {**typed, NUTS: "120", f"{NUTS}_unit": "J"}).status_code == 200
    assert kept() == KEPT_NM
    assert TorqueField("x").compress([]) is None
