import pytest

from fleet.vehicles.edit import edit
from tests.cast import Cast, cast


@pytest.fixture
def people(db: None) -> Cast:
    return cast()


def test_a_change_is_kept_with_one_row_of_history(people: Cast) -> None:
    before = people.van.history.count()
    assert edit(people.van, {"note": "new mirror"}, person=people.supervisor, channel="api")
    people.van.refresh_from_db()
    assert people.van.note == "new mirror"
    assert people.van.history.count() == before + 1


def test_the_history_says_who_and_by_what_way(people: Cast) -> None:
    edit(people.van, {"status": "off road"}, person=people.supervisor, channel="api")
    newest = people.van.history.first()
    assert (newest.history_user, newest.history_change_reason) == (people.supervisor, "api")


def test_what_does_not_differ_writes_nothing(people: Cast) -> None:
    before = people.van.history.count()
    assert not edit(people.van, {"note": ""}, person=people.supervisor, channel="api")
    assert people.van.history.count() == before


def test_the_depot_is_not_edited_in_passing(people: Cast) -> None:
    with pytest.raises(ValueError, match="not editable: depot"):
        edit(people.van, {"depot": people.hill}, person=people.supervisor, channel="api")
