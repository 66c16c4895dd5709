"""``sumpwise whatif``: refusals, and the kinds there are; what it works out is tested beside it."""

import json
from pathlib import Path

import pytest

from config.cli import main
from fleet.whatif.models import WhatIf
from fleet.whatif.rows import KINDS
from tests import scene
from tests.whatif.tiny import fleet, row

pytestmark = pytest.mark.django_db


def test_a_list_with_faults_is_refused_with_all_of_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fleet()
    path = tmp_path / "a.json"
    path.write_text(json.dumps([row("sell", "V-9"), row("limit kms", "*")]))
    assert main(["whatif", str(path)]) == 1
    said = capsys.readouterr().err
    assert "Row 1, which" in said
    assert "Row 2, what" in said
    assert not WhatIf.objects.exists()


def test_a_file_that_is_not_there_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scene.depot()
    assert main(["whatif", str(tmp_path / "none.xlsx")]) == 1
    assert "no file none.xlsx" in capsys.readouterr().err


def test_the_kinds_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["whatif", "-"]) == 0
    said = capsys.readouterr().out
    assert all(f"{kind}\n" in said for kind in KINDS)
