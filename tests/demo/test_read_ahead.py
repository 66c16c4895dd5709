"""What is read ahead is what would be read in its turn."""

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from fleet.demo.files import File
from fleet.demo.read_ahead import read_ahead
from fleet.readings import sheets
from fleet.readings.entries import to_plain
from fleet.readings.spreadsheet import SpreadsheetFault

HEAD = "Vehicle,Date,Odometer\n"


def entries(path: Path) -> list[Any]:
    with sheets.open_sheets(path) as found:
        return [to_plain(one) for sheet in found for one in sheet.entries()]


def test_a_file_that_was_read_ahead_is_read_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, other, odd = (tmp_path / name for name in ("one.csv", "other.csv", "odd.csv"))
    one.write_text(f"{HEAD}V-101,2026-03-02,500\nV-102,2026-03-02,70O\n")
    other.write_text(f"{HEAD}V-103,2026-03-02,900\n")
    odd.write_bytes(b"\x00\x01")
    in_turn = [entries(one), entries(other)]
    files = [File(path.name, date(2026, 3, 3), path.read_bytes()) for path in (one, odd)]
    with read_ahead(files):
        assert [entries(one), entries(other)] == in_turn
        with pytest.raises(SpreadsheetFault):
            entries(odd)
        # of another folder and under another name, as uploads are kept, without a look at it
        monkeypatch.setattr("fleet.demo.read_ahead.run_apart", None)
        assert entries(one.rename(tmp_path / "kept")) == in_turn[0]
    assert entries(other) == in_turn[1]
