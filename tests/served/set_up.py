"""A small fleet and a token for it, in the database that the environment names."""

from config.cli import set_up_django


def main() -> str:
    """Load the fleet, make a supervisor; give the supervisor's token."""
    from django.utils import timezone

    from fleet.people import tokens
    from fleet.people.models import Person, Role
    from fleet.vehicles.models import Depot
    from tests.workbook.small import load_small, small_workbook

    load_small(small_workbook(), now=timezone.now())
    person = Person.objects.create_user(username="sura", role=Role.SUPERVISOR)
    person.depots.set(Depot.objects.all())
    return tokens.issue(person=person, label="test", scopes=tokens.SCOPES, days=1)[1]


if __name__ == "__main__":
    set_up_django()
    print(main())
