"""Records of the evidence in words, as its docstrings have them."""

import pytest

from fleet.workorders.evidence_words import level_words

READ = {"about": "Read the level.", "point": "", "as_it_should_be": True}
READ |= {"value": None, "unit": "", "temperature_c": None}


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({}, "Read the level: as it should be"),
        ({"temperature_c": 38.5}, "Read the level: as it should be, at 38.5 °C"),
        (
            {"value": 3.25, "unit": "mm", "point": "rear", "as_it_should_be": False},
            "Read the level, rear: not as it should be, 3.25 mm",
        ),
    ],
)
def test_a_level_is_told_with_what_was_read(more: dict[str, object], words: str) -> None:
    assert level_words(READ | more) == words
