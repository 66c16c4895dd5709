from fleet.people.actor import Actor
from fleet.people.models import Role
from tests import scene
from tests.cast import person
from tests.kept import kept


@kept
def chief() -> Actor:
    """At a depot whose vans are of a type that is there."""
    scene.van_type()
    return Actor(person("Sura", Role.SUPERVISOR, scene.depot()), "page", scene.NOW)
