"""A demo says on every page that it is one; a fleet's own pages never do."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.test import Client

from fleet.people.models import Person
from tests.cast import Cast

SAID = "Demo: all invented"


@pytest.mark.parametrize("path", ["/", "/readings", "/todays-orders", "/nothing-here"])
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
