"""Who gets the orders of a plan's mechanics: whoever signs in, and is there that day."""

from collections.abc import Collection, Iterable
from datetime import date
from typing import TypeVar

from fleet.people.models import Person
from fleet.people.roles import Right, who_may
from fleet.today import day
from fleet.vehicles.models import Depot
from fleet.visits.models import Mechanic, Plan, Workshop
from fleet.visits.places import gather_places
from fleet.workorders.models import WorkOrder
from fleet.workorders.progress import UNDER_WAY

One = TypeVar("One")


class Hands:
    """The mechanics of a plan's depot, as they are there now on each of its days."""

    def __init__(self, plan: Plan) -> None:
        self.first = plan.as_of_on
        self.places = gather_places(plan.depot, Workshop.of(plan.depot), self.first, plan.days)
        self.people = _people(plan.depot_id)

    def among(self, orders: Collection[WorkOrder], on: date) -> Person | None:
        """Who has some of the orders of a visit, and is there; None: nobody."""
        person = who_has(orders)
        return None if person is None or self._is_away(person, on) else person

    def of(self, name: str, on: date) -> Person | None:
        """Whom an order of a mechanic is given to; None: they do not sign in, or are away."""
        person = self.people.get(name)
        return None if person is None or self._is_away(person, on) else person

    def lacks(self, name: str, has: Person | None, on: date) -> str:
        """What to know of the hands for an order that somebody, or nobody, has; empty: nothing."""
        if has is not None:
            away = self._is_away(has, on)
            return f"{has} has it and is not there on {day(on)}: give it to another" if away else ""
        if not name or self.of(name, on):
            return ""
        away = name in self.people
        why = f"is not there on {day(on)}" if away else "does not sign in"
        return f"{name} {why}: nobody is assigned"

    def _is_away(self, person: Person, on: date) -> bool:
        at = (on - self.first).days
        return 0 <= at < len(self.places.open) and self.places.is_missing(person.pk, at)


def away_words(depot: Depot, person: Person | None, on: date | None, today: date) -> str:
    """That a person is not at work on a day to come, and who is; empty: they are, or nobody knows,
    or the workshop is closed, which is another matter."""
    if person is None or on is None or on < today:
        return ""
    places = gather_places(depot, Workshop.of(depot), on, 1)
    if not places.open[0] or not places.is_missing(person.pk, 0):
        return ""
    present = zip(places.mechanics, places.mechanic_min[:, 0], strict=True)
    there = ", ".join(name for name, minutes in present if minutes) or "nobody"
    return f"{person} is not at work on {day(on)}: {there} is"


def who_has(orders: Collection[WorkOrder]) -> Person | None:
    """Who has the orders of a visit."""
    return foremost((one.assigned_to, one.state in UNDER_WAY) for one in orders)


def foremost(given: Iterable[tuple[One | None, bool]]) -> One | None:
    """Of those who were given the orders of a visit, whoever began one, else the first. A van is
    with one mechanic in one visit.

    Parameters
    ----------
    given
        To whom each was given, None: to nobody; and whether it was begun.
    """
    known = [(who, begun) for who, begun in given if who is not None]
    return next((who for who, begun in known if begun), known[0][0] if known else None)


def _people(depot_id: int) -> dict[str, Person]:
    """Who gets the orders of each mechanic of a depot, by the mechanic's name."""
    found = {}
    for one in Mechanic.objects.filter(depot=depot_id).exclude(person=None):
        person = who_may(Right.RECORD_WORK, depot_id, pk=one.person_id)
        if person is not None:
            found[one.name] = person
    return found
