import pytest

from fleet.people import manage
from fleet.people.manage import Changes, PersonFault
from fleet.people.models import Person
from tests.cast import Cast


def test_a_person_is_added_with_role_depots_and_password(people: Cast) -> None:
    asked = Changes(
        role="clerk", depots=[people.hill], full_name="Ada von Ort", password="seven old vans"
    )
    manage.add("ada", asked)
    ada = Person.objects.get(username="ada")
    assert (ada.role, list(ada.depots.all()), ada.get_full_name()) == (
        "clerk", [people.hill], "Ada von Ort",
    )  # fmt: skip
    assert ada.check_password("seven old vans")
    assert not ada.is_staff


def test_without_a_password_nobody_signs_in_by_one(people: Cast) -> None:
    assert not manage.add("ada", Changes(role="clerk")).has_usable_password()


def test_what_is_not_named_stays(people: Cast) -> None:
    manage.change(people.clerk, Changes(full_name="Cleo Anders"))
    cleo = manage.named("CLEO")
    assert (cleo.role, list(cleo.depots.all())) == ("clerk", [people.plain])


def test_a_change_is_one_row_of_history(people: Cast) -> None:
    before = people.clerk.history.count()
    manage.change(people.clerk, Changes(role="mechanic", active=False, may_set_up=True))
    assert people.clerk.history.count() == before + 1


@pytest.mark.parametrize(
    ("name", "changes", "says"),
    [
        ("Cleo", Changes(role="clerk"), "already"),
        ("ada", Changes(), "needs a role"),
        ("ada", Changes(role="boss"), "no role boss"),
        ("a da!", Changes(role="clerk"), "valid username"),
        ("ada", Changes(role="clerk", password="short"), "too short"),
        ("ada", Changes(role="clerk", password="password123"), "too common"),
        ("ada-of-hill", Changes(role="clerk", password="Ada-of-Hill"), "too similar to the user"),
        ("ada-of-hill", Changes(role="clerk", password="ada-of-hill7"), "too similar to the user"),
        ("ada", Changes(role="clerk", full_name="Ada Abendroth", password="abendroth"), "similar"),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(
    people: Cast, name: str, changes: Changes, says: str
) -> None:
    before = Person.objects.count()
    with pytest.raises(PersonFault, match=says):
        manage.add(name, changes)
    assert Person.objects.count() == before


def test_passwords_made_here_pass_the_rules_and_differ(people: Cast) -> None:
    first, second = manage.new_password(), manage.new_password()
    manage.change(people.clerk, Changes(password=first))
    assert first != second
