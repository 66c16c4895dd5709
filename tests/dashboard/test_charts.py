"""The odometer chart: every limit of the meter, the passed one too, without flattening the rest."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from fleet.dashboard.charts import (
    FanPoint,
    LimitLine,
    Odometer,
    ReadingPoint,
    odometer,
    shown_range,
)

START = datetime(2026, 1, 1, 12, tzinfo=UTC)


def chart(*limits: LimitLine, unit: str = "km") -> Odometer:
    """From 0 to 10,000 by readings, then up to 12,000 in the fan."""
    readings = [
        ReadingPoint(START + timedelta(days=10 * at), 1_000.0 * at, "accepted", "")
        for at in range(11)
    ]
    fan = [FanPoint(date(2026, 6, 1), 11_000, 11_500, 12_000)]
    return Odometer("V-1", unit, readings, fan, limits)


def drawn(found: Odometer) -> tuple[list[Any], list[str]]:
    figure = odometer(found).to_plotly_json()
    lines = [trace for trace in figure["data"] if " at " in (trace.get("name") or "")]
    return lines, [one["text"] for one in figure["layout"]["annotations"]]


def test_every_limit_has_its_line_and_its_name() -> None:
    found = chart(LimitLine("Oil", 11_000, False), LimitLine("Coolant", 14_000, False))
    lines, labels = drawn(found)
    assert [trace["y"][0] for trace in lines] == [11_000, 14_000]
    assert labels == ["Oil at 11,000\u202fkm", "Coolant at 14,000\u202fkm"]


def test_a_passed_limit_is_solid_and_says_so() -> None:
    lines, labels = drawn(chart(LimitLine("Oil", 9_000, True), LimitLine("Belt", 11_000, False)))
    assert [trace["line"]["dash"] for trace in lines] == ["solid", "dot"]
    assert labels[0] == "Oil at 9,000\u202fkm, passed"


def test_a_limit_far_off_is_told_and_does_not_flatten_the_rest() -> None:
    found = chart(LimitLine("Oil", 11_000, False), LimitLine("Gearbox oil", 160_000, False))
    lines, labels = drawn(found)
    assert len(lines) == 1
    assert labels[-1] == "Further up:<br>Gearbox oil at 160,000\u202fkm"
    # by hand: 12,000 and 4 % of it
    assert shown_range(found)[1] == pytest.approx(12_480)


def test_hours_are_hours() -> None:
    _, labels = drawn(chart(LimitLine("Oil", 11_000, False), unit="h"))
    assert labels == ["Oil at 11,000 h"]


def test_without_readings_nothing_is_drawn() -> None:
    lines, _ = drawn(Odometer("V-1", "km", [], [], [LimitLine("Oil", 5_000, False)]))
    assert lines == []


def test_names_of_neighbouring_limits_stand_on_the_sides_with_room() -> None:
    limits = [
        LimitLine(name, at, False) for name, at in (("A", 9_000), ("B", 11_000), ("C", 12_000))
    ]
    labels = odometer(chart(*limits)).to_plotly_json()["layout"]["annotations"]
    # by hand: B has 2,000 below and 1,000 above, C the other way round
    assert [one["yanchor"] for one in labels] == ["top", "top", "bottom"]


def test_names_that_would_lie_on_each_other_stand_together() -> None:
    limits = [
        LimitLine(name, at, False) for name, at in (("A", 11_000), ("B", 11_950), ("C", 12_000))
    ]
    labels = odometer(chart(*limits)).to_plotly_json()["layout"]["annotations"]
    assert [(one["text"], one["y"]) for one in labels] == [
        ("A at 11,000\N{NARROW NO-BREAK SPACE}km", 11_000),
        (
            "C at 12,000\N{NARROW NO-BREAK SPACE}km<br>B at 11,950\N{NARROW NO-BREAK SPACE}km",
            12_000,
        ),
    ]
