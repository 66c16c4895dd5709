import pytest
from django.contrib.auth.models import AnonymousUser

from fleet.people.models import Person, Role
from fleet.people.roles import Right, depots_of, may
from tests.cast import Cast

# written by hand: who may do what in a depot of their own
EXPECTED = {
    Role.SUPERVISOR: {
        *("see", "add readings", "settle readings", "set duty", "run the night", "set up"),
        *("manage people", "report findings", "record work", "release work orders"),
        *("sign off work", "defer services", "approve substitutes", "clear do not use"),
        *("keep stock", "enter service history"),
        *("run field trials", "rate in field trials", "approve a longer interval"),
        "ask what if",
    },
    Role.CLERK: {
        *("see", "add readings", "settle readings", "report findings", "rate in field trials"),
        "enter service history",
    },
    Role.MECHANIC: {
        *("see", "add readings", "record work", "report findings", "rate in field trials"),
    },
    Role.STORES: {"see", "report findings", "keep stock"},
    Role.ENGINEER: {
        *("see", "report findings", "run field trials", "rate in field trials", "ask what if"),
    },
    Role.VIEWER: {"see", "ask what if"},
}


@pytest.mark.parametrize("role", Role)
def test_a_role_gives_exactly_its_rights(people: Cast, role: Role) -> None:
    people.viewer.role = role
    held = {right.value for right in Right if may(people.viewer, right, people.plain)}
    assert held == EXPECTED[role]


@pytest.mark.parametrize("right", Right)
def test_nobody_has_a_right_at_a_foreign_depot(people: Cast, right: Right) -> None:
    assert not may(people.supervisor, right, people.hill)
    assert not may(people.supervisor, right, people.hill.pk)


def test_without_a_depot_the_role_alone_decides(people: Cast) -> None:
    assert may(people.outsider, Right.SET_DUTY)
    assert not may(people.clerk, Right.SET_DUTY)


def test_a_superuser_may_everything_everywhere(db: None, people: Cast) -> None:
    chief = Person.objects.create_superuser("chief")
    assert all(may(chief, right, people.hill) for right in Right)
    assert set(depots_of(chief)) == {people.plain, people.hill}


def test_a_person_sees_only_their_own_depots(people: Cast) -> None:
    assert list(depots_of(people.clerk)) == [people.plain]


def test_a_person_without_depots_sees_none(people: Cast) -> None:
    people.clerk.depots.clear()
    assert not depots_of(people.clerk).exists()
    assert not may(people.clerk, Right.SEE, people.plain)


def test_an_inactive_person_may_nothing(people: Cast) -> None:
    people.supervisor.is_active = False
    assert not may(people.supervisor, Right.SEE)
    assert not depots_of(people.supervisor).exists()


def test_a_stranger_may_nothing(people: Cast) -> None:
    assert not may(AnonymousUser(), Right.SEE)
    assert not depots_of(AnonymousUser()).exists()
