"""A torque stands on the card as its source states it, the conversion in brackets."""

from collections.abc import Callable

import pytest
from django.test import Client

from fleet.people.models import Person
from fleet.workorders.models import Fastener
from tests.dashboard.test_overview import text
from tests.dashboard.workshop import Workshop

SignedIn = Callable[[Person], Client]


@pytest.mark.parametrize(
    ("unit", "said"),
    [
        # 1 lbf·ft = 1.355818 N·m, 1 lbf·in = 0.1129848 N·m, 1 kgf·m = 9.80665 N·m (NIST SP 811)
        ("N·m", "39.3 N·m (29 lbf·ft)"),
        ("lbf·ft", "29 lbf·ft (39.3 N·m)"),
        ("lbf·in", "348 lbf·in (39.3 N·m)"),
        ("kgf·m", "4 kgf·m (39.3 N·m)"),
    ],
)
def test_the_makers_own_figure_comes_first(
    shop: Workshop, signed_in: SignedIn, unit: str, said: str
) -> None:
    Fastener.objects.filter(slug="drain-plug").update(stated_unit=unit)
    shop.start()
    client = signed_in(shop.people.mechanic)
    seen = text(client.get(f"{shop.page}/card").content.decode()).replace("\u202f", " ")
    first = said.partition(" (")[0]
    assert said in seen.replace("( ", "(")
    assert f"Tightened to {first}" in seen


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
