from datetime import UTC, datetime
from pathlib import Path

import pytest
import time_machine
from pytest_django import Settings

from fleet.people import links
from fleet.people.models import SignInLink
from tests.cast import Cast

HERE = "127.0.0.1"
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


@pytest.fixture
def demo(people: Cast, settings: Settings, tmp_path: Path) -> Path:
    settings.DATA_DIR = tmp_path
    (tmp_path / "demo").touch()
    return tmp_path


def secret_for(people: Cast, hours: int = 12) -> str:
    return links.issue(people.clerk, hours).removeprefix(links.PATH)


def test_a_link_signs_its_person_in(people: Cast, demo: Path) -> None:
    assert links.redeem(secret_for(people), HERE) == people.clerk


def test_a_link_works_only_once(people: Cast, demo: Path) -> None:
    secret = secret_for(people)
    links.redeem(secret, HERE)
    assert links.redeem(secret, HERE) is None


def test_only_the_digest_is_stored(people: Cast, demo: Path) -> None:
    secret = secret_for(people)
    assert secret not in str(SignInLink.objects.values().get())


@pytest.mark.parametrize("address", ["127.0.0.1", "127.8.9.1", "::1", "::ffff:127.0.0.1"])
def test_a_link_works_on_this_machine(people: Cast, demo: Path, address: str) -> None:
    assert links.redeem(secret_for(people), address) == people.clerk


@pytest.mark.parametrize("address", ["192.0.2.7", "2001:db8::1", "::ffff:192.0.2.7", "", "here"])
def test_a_link_does_not_work_from_elsewhere(people: Cast, demo: Path, address: str) -> None:
    secret = secret_for(people)
    assert links.redeem(secret, address) is None
    assert links.redeem(secret, HERE) == people.clerk  # and was not used up


def test_a_link_does_not_work_outside_a_demo(people: Cast, demo: Path) -> None:
    (demo / "demo").unlink()
    assert links.redeem(secret_for(people), HERE) is None


def test_a_link_lapses(people: Cast, demo: Path) -> None:
    with time_machine.travel(NOON, tick=False) as clock:
        secret = secret_for(people, hours=12)
        clock.shift(12 * 3600)
        assert links.redeem(secret, HERE) is None


def test_a_person_who_left_is_not_signed_in(people: Cast, demo: Path) -> None:
    secret = secret_for(people)
    people.clerk.is_active = False
    people.clerk.save()
    assert links.redeem(secret, HERE) is None


def test_an_invented_link_signs_nobody_in(people: Cast, demo: Path) -> None:
    assert links.redeem("invented", HERE) is None
    assert links.redeem("\ud800", HERE) is None


def test_lapsed_links_are_cleared_away(people: Cast, demo: Path) -> None:
    secret_for(people, hours=-1)
    secret_for(people)
    assert SignInLink.objects.count() == 1
