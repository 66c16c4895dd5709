"""What a start of the demo prints: a link for each role, and how others come in."""

from pathlib import Path
from typing import Any

import pytest

from config.serving import greet
from fleet.people.links import PATH
from fleet.people.models import Role
from tests.cast import person

pytestmark = pytest.mark.django_db


def test_a_demo_prints_one_link_for_each_role_and_names_the_others(
    settings: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings.DATA_DIR = tmp_path
    (tmp_path / "demo").touch()
    person("Rowan", Role.SUPERVISOR)
    for name in ("Zora", "Ada", "Ben"):
        person(name, Role.MECHANIC)
    greet("http://127.0.0.1:8000")
    said = capsys.readouterr().out
    assert said.count(PATH) == 2
    links = [line.split()[:2] for line in said.splitlines() if PATH in line]
    assert links == [["mechanic", "zora"], ["supervisor", "rowan"]]  # whoever was there first
    assert "A link for ada or ben: sumpwise sign-in NAME" in said
