"""A small fleet and a token for it, in the database that the environment names."""

import sys

from config.cli import set_up_django


def main(vans: int = 1) -> str:
    """Load the fleet, make a supervisor; give the supervisor's token."""
    from django.utils import timezone

    from fleet.people import tokens
    from fleet.people.models import Person, Role
    from fleet.vehicles.models import Depot
    from tests.workbook.small import load_small, small_workbook, vehicle

    book = small_workbook()
    book["Vehicles"] += [vehicle(f"V-{number}") for number in range(2, vans + 1)]
    load_small(book, now=timezone.now())
    person = Person.objects.create_user(username="sura", role=Role.SUPERVISOR)
    person.depots.set(Depot.objects.all())
    return tokens.issue(person=person, label="test", scopes=tokens.SCOPES, days=1)[1]


if __name__ == "__main__":
    set_up_django()
    print(main(*map(int, sys.argv[1:])))
