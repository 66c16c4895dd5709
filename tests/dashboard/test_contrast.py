"""Text stands out from its ground: at least 4.5 to 1, WCAG 2.2 success criterion 1.4.3."""

import re
from pathlib import Path

import pytest
from django.conf import settings

TOKENS = Path(settings.BASE_DIR) / "fleet/dashboard/static/dashboard/tokens.css"
PAIRS = [
    (ink, ground)
    for ink in ("ink", "ink-quiet", "accent")
    for ground in ("ground", "surface", "surface-quiet", "warn-ground", "stop-ground")
] + [
    ("accent-ink", "accent"),
    ("masthead-ink", "masthead"),
    ("masthead-quiet", "masthead"),
    ("error-ink", "surface"),
    ("error-ink", "ground"),
]
SHAPES = ["overdue", "probably-overdue", "due-this-month", "later", "history-unknown"]


def colours(scheme: str) -> dict[str, str]:
    text = TOKENS.read_text()
    light, dark = text.split("prefers-color-scheme: dark", 1)
    found = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", light))
    if scheme == "dark":
        found |= dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", dark.split("@media")[0]))
    return found


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_black_on_white_is_21_to_1() -> None:
    # the definition's own example
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("ink", "ground"), PAIRS)
def test_words_can_be_read(ink: str, ground: str, scheme: str) -> None:
    found = colours(scheme)
    assert contrast(found[ink], found[ground]) >= 4.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("shape", SHAPES)
def test_shapes_can_be_told_from_their_ground(shape: str, scheme: str) -> None:
    # 3 to 1 for graphics, success criterion 1.4.11; words stand beside every shape
    found = colours(scheme)
    assert contrast(found[f"shape-{shape}"], found["surface"]) >= 3
