"""What the masthead says and offers: where a role lands, its pages, and that a demo is one."""

import re
from collections.abc import Callable
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from django.test import Client

from fleet.people.links import issue
from fleet.people.models import Person, Role
from tests.cast import Cast, person

# what each role uses, the first where its people land; written by hand
MENUS = {
    Role.SUPERVISOR: (
        *("Overview", "Due", "Work orders", "Workshop days", "Today's orders", "Findings"),
        *("Readings", "Consumables", "Field trials", "Stock", "Costs", "Runs", "Method"),
        "People and tokens",
    ),
    Role.VIEWER: (
        *("Overview", "Due", "Work orders", "Workshop days", "Findings", "Field trials"),
        *("Costs", "Method"),
        "People and tokens",
    ),
    Role.CLERK: ("Readings", "Due", "Findings", "Field trials", "People and tokens"),
    Role.MECHANIC: (
        *("Today's orders", "Work orders", "Workshop days", "Due", "Findings", "Readings"),
        "Field trials",
        "People and tokens",
    ),
    Role.STORES: ("Consumables", "Stock", "Costs", "Work orders", "Findings", "People and tokens"),
    Role.ENGINEER: (*("Field trials", "Due", "Findings", "Costs", "Method", "People and tokens"),),
}
ADDRESSES = {
    "Overview": "/overview",
    "Due": "/due",
    "Readings": "/readings",
    "Today's orders": "/todays-orders",
    "Consumables": "/consumables",
    "Field trials": "/field-trials",
}
SAID = "Demo: all invented"


@pytest.mark.parametrize("path", ["/due", "/readings", "/todays-orders", "/nothing-here"])
def test_a_demo_says_so_on_every_page(
    path: str,
    people: Cast,
    signed_in: Callable[[Person], Client],
    settings: Any,
    tmp_path: Path,
) -> None:
    settings.DATA_DIR = tmp_path
    client = signed_in(people.supervisor)
    assert SAID not in client.get(path).content.decode()
    (tmp_path / "demo").write_text("complete 2026-03-04\n")
    masthead = client.get(path).content.decode().split("</header>")[0]
    assert masthead.count(SAID) == 1


def menu(page: str) -> list[str]:
    listed = page.split('<ul class="pages">')[1].split("</ul>")[0]
    return [unescape(words) for words in re.findall(r"<a [^>]*>([^<]+)</a>", listed)]


@pytest.mark.parametrize("role", Role)
def test_a_menu_holds_what_its_role_uses(
    role: Role, people: Cast, signed_in: Callable[[Person], Client]
) -> None:
    client = signed_in(person("Nele", role, people.plain))
    assert tuple(menu(client.get("/findings").content.decode())) == MENUS[role]


@pytest.mark.parametrize("role", Role)
def test_a_role_lands_on_its_first_page(
    role: Role, people: Cast, settings: Any, tmp_path: Path
) -> None:
    settings.DATA_DIR = tmp_path
    (tmp_path / "demo").touch()
    client, first = Client(), ADDRESSES[MENUS[role][0]]
    assert client.get(issue(person("Nele", role, people.plain)))["Location"] == first
    assert client.get("/")["Location"] == first


def test_a_page_left_out_of_a_menu_still_answers(
    people: Cast, signed_in: Callable[[Person], Client]
) -> None:
    client = signed_in(people.clerk)
    for path in ("/runs", "/method", "/stock", "/consumables", "/todays-orders"):
        assert client.get(path).status_code == 200, path


def test_a_list_kept_under_the_former_address_is_found(
    people: Cast, signed_in: Callable[[Person], Client]
) -> None:
    answer = signed_in(people.clerk).get("/?state=overdue&state=later")
    assert answer["Location"] == "/due?state=overdue&state=later"


def test_who_may_do_everything_is_offered_everything(
    people: Cast, signed_in: Callable[[Person], Client]
) -> None:
    chief = person("Nele", Role.VIEWER, people.plain)
    chief.is_superuser = True
    chief.save()
    seen = menu(signed_in(chief).get("/findings").content.decode())
    assert tuple(seen) == MENUS[Role.SUPERVISOR]


def test_a_deputy_also_has_the_menu_of_whom_they_stand_in_for(
    people: Cast, signed_in: Callable[[Person], Client]
) -> None:
    keeper = person("Stella", Role.STORES, people.plain)
    client = signed_in(people.clerk)
    assert 'href="/consumables"' not in client.get("/readings").content.decode()
    keeper.deputy = people.clerk
    keeper.save()
    masthead = client.get("/readings").content.decode().split("</header>")[0]
    menu = masthead.split("<nav", 1)[1]
    pages = ("readings", "due", "findings", "field-trials", "people-and-tokens")
    more = ("consumables", "stock", "costs", "work-orders")
    found = re.findall(r'href="/([a-z-]+)"', menu)
    assert found == [*pages, *more]
    assert client.get("/").headers["Location"] == "/readings"  # still lands on their own


# --- one depot of several ----------------------------------------------------------------------
ONLY = "Only Plain: "


@pytest.mark.parametrize("path", ["/due", "/work-orders", "/readings", "/stock", "/costs"])
def test_a_page_narrowed_to_one_depot_says_so_and_leads_to_all(
    path: str, people: Cast, signed_in: Callable[[Person], Client]
) -> None:
    people.supervisor.depots.add(people.hill)
    client = signed_in(people.supervisor)
    assert ONLY not in client.get(path).content.decode()
    seen = unescape(client.get(f"{path}?depot=plain&by=depot").content.decode())
    assert f'{ONLY}<a href="{path}?by=depot">show all depots</a>' in seen
    alone = client.get(f"{path}?depot=plain").content.decode()
    assert f'{ONLY}<a href="{path}">show all depots</a>' in alone


def test_neither_a_plan_nor_who_has_one_depot_is_told_so(
    people: Cast, signed_in: Callable[[Person], Client]
) -> None:
    assert ONLY not in signed_in(people.supervisor).get("/due?depot=plain").content.decode()
    people.supervisor.depots.add(people.hill)
    client = signed_in(people.supervisor)
    assert ONLY not in client.get("/workshop-days?depot=plain").content.decode()
    asked = client.post("/work-orders/release", {"order": [], "query": "depot=plain"})
    assert ONLY not in asked.content.decode()
