import pytest

from fleet.people.actor import Actor
from fleet.people.models import Role
from tests import scene
from tests.cast import person


@pytest.fixture
def chief(db: None) -> Actor:
    return Actor(person("Sura", Role.SUPERVISOR, scene.depot()), "page", scene.NOW)
