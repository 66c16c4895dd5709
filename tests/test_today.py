"""Today is the depot's day, and one place makes it of the present instant."""

import re
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from fleet.today import newest_day, oldest_day, today_at

ROOT = Path(__file__).resolve().parent.parent
BY_ITSELF = re.compile(r"\bnow(\(\)|\(UTC\))?\.date\(\)|date\.today\(|localdate\(")
LATE = datetime(2026, 7, 31, 23, 30, tzinfo=UTC)


def test_nobody_else_makes_a_day_of_the_present_instant() -> None:
    sources = [path for at in ("fleet", "config") for path in (ROOT / at).rglob("*.py")]
    found = [
        f"{path.relative_to(ROOT)}: {line.strip()}"
        for path in sources
        if path != ROOT / "fleet" / "today.py"
        for line in path.read_text().splitlines()
        if BY_ITSELF.search(line)
    ]
    assert len(sources) > 300
    assert found == []


# by hand: UTC+2 in Berlin in summer, UTC-4 in New York, no depot at all by UTC
@pytest.mark.parametrize(
    ("zones", "newest", "oldest"),
    [
        (["Europe/Berlin"], date(2026, 8, 1), date(2026, 8, 1)),
        (["Europe/Berlin", "America/New_York"], date(2026, 8, 1), date(2026, 7, 31)),
        ([], date(2026, 7, 31), date(2026, 7, 31)),
    ],
)
def test_around_midnight_the_depots_have_two_days(
    zones: list[str], newest: date, oldest: date
) -> None:
    assert newest_day(zones, LATE) == newest
    assert oldest_day(zones, LATE) == oldest


def test_a_zone_without_an_instant_is_asked_now() -> None:
    assert abs((today_at("UTC") - datetime.now(UTC).date()).days) <= 1
