"""A mechanic's name as plans keep it, replaced when the person's is."""

from fleet.people.models import Person
from fleet.visits.models import Mechanic, Visit


def rename(person: Person) -> None:
    """Call a person's mechanics, and their visits in every plan, as the person is called now."""
    for mechanic in Mechanic.objects.filter(person=person):
        here = Visit.objects.filter(plan__depot=mechanic.depot_id, mechanic=mechanic.name)
        here.update(mechanic=person.username)
        mechanic.name = person.username
        mechanic.save()
        Mechanic.history.filter(id=mechanic.pk).update(name=person.username)
