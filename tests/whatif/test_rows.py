"""A list of changes: each fault with its row, field and remedy, all of them at once."""

import json
from pathlib import Path
from typing import Any

import pytest

from fleet.faults import Fault
from fleet.stores.models import Item
from fleet.vehicles.models import Depot
from fleet.whatif.amounts import Misunderstood, amount
from fleet.whatif.rows import KINDS, ChangesRefused, Found, from_file, understood
from tests.kept import kept
from tests.readings.spreadsheets import write_xlsx
from tests.whatif.tiny import TODAY, fleet, row


@kept
def tiny() -> Item:
    return fleet()


def refused(*rows: Any) -> list[tuple[int, str, str]]:
    with pytest.raises(ChangesRefused) as raised:
        understood(rows, list(Depot.objects.all()), TODAY)
    return [(one.row, one.field, one.text) for one in raised.value.faults]


@pytest.mark.parametrize(
    ("text", "found"),
    [("20000", 20_000), ("20,000 km", 20_000), ("-5000", 25_000), ("+10 %", 33_000),
     ("x 0.5", 15_000), ("−20%", 24_000), ("12.5", 12.5)],
)  # fmt: skip
def test_figures_are_so_much_or_so_much_more_or_less(text: str, found: float) -> None:
    assert amount(text, ("km",))(30_000) == pytest.approx(found)


@pytest.mark.parametrize("text", ["", "many", "10 %", "5 miles", "1.2.3", "--5"])
def test_what_is_no_figure_says_what_to_write(text: str) -> None:
    with pytest.raises(Misunderstood, match="write"):
        amount(text, ("km",))


@pytest.mark.django_db
def test_every_fault_is_named_at_once(tiny: Item) -> None:
    found = refused(
        row("limit kms", "*", "1"),
        row("limit months", "van/engin-oil", "1"),
        row("limit months", "*", "-5"),
        row("limit km", "*", "-5"),
        row("mechanic", "coast", "480 Fri"),
        row("sell", "V-9"),
        row("limit months", "*", "1", "2026-06-14"),
        row("limit months", "*", "1", "2027-06-15"),
        row("add vehicles", "V-1", "20"),
    )
    assert [(number, about) for number, about, _ in found] == [
        *((1, "what"), (2, "which"), (3, "value"), (4, "what"), (5, "which"), (6, "which")),
        *((7, "from"), (8, "from"), (9, "which")),
    ]
    words = [text for _, _, text in found]
    assert "did you mean limit km" in words[0]
    assert "did you mean van/engine-oil" in words[1]
    assert "choose from plain" in words[4]
    assert "15 Jun 2026" in words[6]
    assert "14 Jun 2027" in words[7]


@pytest.mark.django_db
@pytest.mark.parametrize("given", ["text", 7, None, {"what": 1, "colour": 2}, {"what": True}])
def test_what_is_no_row_is_a_fault_of_it(tiny: Item, given: object) -> None:
    assert [number for number, _, _ in refused(given)] == [1]


@pytest.mark.django_db
def test_an_empty_list_is_refused(tiny: Item) -> None:
    with pytest.raises(Fault, match="Write 1 to"):
        understood([], list(Depot.objects.all()), TODAY)


def test_a_sheet_and_a_json_list_say_the_same(tmp_path: Path) -> None:
    heads = ["what", "Which", "value", "from"]
    sheet = write_xlsx(tmp_path / "a.xlsx", Changes=[heads, ["limit months", "*", 1, TODAY], []])
    listed = tmp_path / "a.json"
    listed.write_text(json.dumps([row("limit months", "*", 1, TODAY.isoformat())]))
    one, other = from_file(sheet), from_file(listed)
    assert [(str(r["what"]), float(r["value"])) for r in one] == [("limit months", 1.0)]
    assert [(r["what"], float(r["value"])) for r in other] == [("limit months", 1.0)]


def test_a_sheet_without_its_headings_is_refused(tmp_path: Path) -> None:
    sheet = write_xlsx(tmp_path / "a.xlsx", Changes=[["what", "value"], ["sell", "1"]])
    with pytest.raises(Fault, match="lacks the heading 'which'"):
        from_file(sheet)


@pytest.mark.parametrize("text", ["{", '{"what": "sell"}'])
def test_a_file_that_is_no_list_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "a.json"
    path.write_text(text)
    with pytest.raises(Fault, match="list"):
        from_file(path)


def test_every_kind_says_what_it_holds() -> None:
    assert all(kind.which and kind.value and len(kind.example) == 2 for kind in KINDS.values())


@pytest.mark.django_db
def test_a_fault_of_a_sheet_names_the_row_as_the_sheet_numbers_it(
    tiny: Item, tmp_path: Path
) -> None:
    """Its headings count, and so does a row that was left empty."""
    rows = [["what", "which", "value"], ["sell", "V-1", ""], [], ["sel", "V-9", ""]]
    sheet = write_xlsx(tmp_path / "a.xlsx", Changes=rows)
    with pytest.raises(ChangesRefused) as refusal:
        understood(from_file(sheet), list(Depot.objects.all()), TODAY)
    assert str(refusal.value).startswith("Row 4, what: ")


def test_a_sentence_that_asks_ends_with_its_own_mark() -> None:
    assert str(Found(3, "what", "did you mean sell?")) == "Row 3, what: did you mean sell?"
    assert str(Found(3, "which", "it is empty")) == "Row 3, which: it is empty."
