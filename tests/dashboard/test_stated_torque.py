"""On every card a torque stands in the unit of whoever reads it, with N·m and the figure as its
source states it in brackets."""

from collections.abc import Callable

import pytest
from django.test import Client

from fleet.people.models import Person
from fleet.workorders.models import Fastener, Tool
from tests.dashboard.rendered import send
from tests.dashboard.test_overview import text
from tests.dashboard.test_shown_units import choose
from tests.dashboard.workshop import Workshop

SignedIn = Callable[[Person], Client]


@pytest.mark.parametrize(
    ("stated", "read", "said"),
    [
        # 1 lbf·ft = 1.355818 N·m, 1 lbf·in = 0.1129848 N·m, 1 kgf·m = 9.80665 N·m (NIST SP 811)
        ("N·m", "N·m", "39.3 N·m (29 lbf·ft)"),
        ("lbf·ft", "N·m", "39.3 N·m (29 lbf·ft)"),
        ("lbf·in", "N·m", "39.3 N·m (348 lbf·in)"),
        ("kgf·m", "N·m", "39.3 N·m (4 kgf·m)"),
        ("N·m", "lbf·ft", "29 lbf·ft (39.3 N·m)"),
        ("lbf·ft", "lbf·ft", "29 lbf·ft (39.3 N·m)"),
        ("lbf·in", "lbf·ft", "29 lbf·ft (39.3 N·m, 348 lbf·in)"),
    ],
)
def test_the_readers_unit_comes_first_whatever_the_source_states(
    shop: Workshop, signed_in: SignedIn, stated: str, read: str, said: str
) -> None:
    Fastener.objects.filter(slug="drain-plug").update(stated_unit=stated)
    shop.start()
    client = signed_in(shop.people.mechanic)
    if read != "N·m":
        choose(client, torque_unit=read)
    seen = text(client.get(f"{shop.page}/card").content.decode()).replace("\u202f", " ")
    first = said.partition(" (")[0]
    assert said in seen.replace("( ", "(")
    assert f"Tightened to {first}" in seen


def test_one_card_has_one_unit_for_figures_tools_and_records(
    shop: Workshop, signed_in: SignedIn
) -> None:
    """By hand: 20 and 100 N·m are 14.75 and 73.76 lbf·ft, 40 N·m are 29.50."""
    procedure = Fastener.objects.filter(slug="drain-plug").get().procedure
    Tool.objects.create(
        procedure=procedure, name="Torque wrench", size="20 to 100 N·m, 1/2 in square",
        kind="torque wrench", drive="1/2 in square", least_nm=20, most_nm=100,
    )  # fmt: skip
    shop.start()
    client = signed_in(shop.people.mechanic)
    card = f"{shop.page}/card"
    assert "Torque wrench 20 to 100 N·m, 1/2 in square" in client.get(card).content.decode()
    choose(client, torque_unit="lbf·ft")
    html = client.get(card).content.decode()
    send(client, html, 'name="fastener" value="drain-plug"', torque="40 N·m")
    seen = text(client.get(card).content.decode()).replace("\u202f", " ")
    assert "Torque wrench 14.8 to 73.8 lbf·ft (20 to 100 N·m), 1/2 in square" in seen
    assert "29.5 lbf·ft (40 N·m), wrench" in seen
    assert "Tightened to another value [lbf·ft]" in seen


def test_the_api_gives_a_torque_to_the_hundredth(shop: Workshop, signed_in: SignedIn) -> None:
    # 20 lbf·ft are 27.1163590 N·m, and 45 N·m are 33.1903 lbf·ft: by the same factor
    Fastener.objects.filter(slug="drain-plug").update(
        torque_nm=27.116358966628, stated_unit="lbf·ft"
    )
    shop.start()
    client = signed_in(shop.people.mechanic)
    send(client, client.get(f"{shop.page}/card").content.decode(), "drain-plug", whole="yes")
    order = shop.now().number
    card = client.get(f"/api/v1/work-orders/{order}/card").json()
    (plug,) = [one for one in card["jobs"][0]["fasteners"] if one["slug"] == "drain-plug"]
    assert (plug["torque_nm"], plug["torque_lbfft"]) == (27.12, 20.0)
    (kept,) = client.get(f"/api/v1/work-orders/{order}/records").json()["torques"]
    assert (kept["torque_nm"], kept["reference_nm"]) == (27.12, 27.12)


def test_a_range_is_stated_from_end_to_end(shop: Workshop, signed_in: SignedIn) -> None:
    # by hand: 30 and 40 lbf·ft are 40.67 and 54.23 N·m
    Fastener.objects.filter(slug="drain-plug").update(
        torque_nm=40.67454, torque_max_nm=54.23272, stated_unit="lbf·ft"
    )
    shop.start()
    client = signed_in(shop.people.mechanic)
    seen = text(client.get(f"{shop.page}/card").content.decode()).replace("\u202f", " ")
    assert "30 to 40 lbf·ft" in seen
    assert "40.7 to 54.2 N·m" in seen
