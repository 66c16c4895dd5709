"""How pages tell what was decided about readings."""

import re
from datetime import UTC, datetime, timedelta

import pytest
from django.test import Client

from fleet.dashboard.readings import settlements
from fleet.dashboard.readings.lines import ReadingLine, reading_lines, with_lines
from fleet.readings.models import Reading, ReadingDecision, SettlementWithdrawal
from tests.cast import Cast
from tests.readings.test_unsettle import decided, jump, people, read, withdrawn

__all__ = ["people", "read"]  # the fixtures


def test_days_of_a_settlement_are_those_of_the_vehicles_depot(people: Cast) -> None:
    """Half past eleven at night in UTC is the next morning in Berlin, winter and summer."""
    odd = jump()
    first = decided(odd)
    late = datetime(2026, 3, 14, 23, 30, tzinfo=UTC)
    ReadingDecision.objects.filter(pk=first.pk).update(decided_at=late)
    assert "15 Mar 2026: " in _line_of(odd, people).decided
    withdrawn(first, person=people.supervisor)
    SettlementWithdrawal.objects.update(withdrawn_at=late + timedelta(days=140))  # 1 August
    assert f"withdrawn by {people.supervisor}, 2 Aug 2026 " in _line_of(odd, people).withdrawn


def _line_of(reading: Reading, people: Cast) -> ReadingLine:
    (line,) = reading_lines(with_lines(Reading.objects.filter(pk=reading.pk)), people.supervisor)
    return line


def test_a_settlement_of_many_vehicles_says_how_many_it_does_not_name(
    people: Cast, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(settlements, "NAMED", 1)
    decided(jump(), jump("V-102"))
    client.force_login(people.clerk)
    assert "2 readings of V-101 and 1 more" in _read(client)
    monkeypatch.setattr(settlements, "NAMED", 2)
    assert "2 readings of V-101 , V-102 Withdraw" in _read(client)


def _read(client: Client) -> str:
    """The row of the page as it reads."""
    page = client.get("/readings/settlements").content.decode()
    (row,) = re.findall("<tbody>(.*)</tbody>", page, re.DOTALL)
    return " ".join(re.sub("<[^>]*>", " ", row).split())
