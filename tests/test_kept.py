"""A scene that is kept for several tests is to each of them as it was built."""

import pytest
from django.test import TestCase

from fleet.vehicles.models import Vehicle
from tests import scene
from tests.kept import kept

BUILT: list[str] = []


@kept
def yard() -> Vehicle:
    BUILT.append("yard")
    return scene.van()


@kept
def pair(yard: Vehicle) -> tuple[Vehicle, Vehicle]:
    return yard, scene.van("V-2")


@pytest.mark.parametrize("turn", range(6))
@pytest.mark.django_db
def test_what_one_test_changes_the_next_does_not_see(turn: int, yard: Vehicle) -> None:
    assert (yard.note, Vehicle.objects.count(), Vehicle.objects.get().note) == ("", 1, "")
    yard.note = f"changed in turn {turn}"
    yard.save()
    scene.van("V-9")
    assert len(BUILT) <= 3  # anew only after a test without it, or when the hour turns


@pytest.mark.parametrize("turn", range(2))
@pytest.mark.django_db
def test_a_scene_stands_on_another_and_shares_its_objects(
    turn: int, yard: Vehicle, pair: tuple[Vehicle, Vehicle]
) -> None:
    assert (pair[0] is yard, Vehicle.objects.count()) == (True, 2)
    Vehicle.objects.all().delete()


@pytest.mark.django_db
def test_nothing_of_a_scene_stands_in_a_test_without_it() -> None:
    assert not Vehicle.objects.exists()


class NothingOfASceneStands(TestCase):
    """The transaction of a class begins before the fixtures of its tests."""

    @classmethod
    def setUpTestData(cls) -> None:
        assert not Vehicle.objects.exists()
        scene.van("V-5")

    def test_in_a_class_with_rows_of_its_own(self) -> None:
        assert [van.fleet_number for van in Vehicle.objects.all()] == ["V-5"]
