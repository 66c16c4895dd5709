"""Workshops of the demo: bays, mechanics, who is away; and a first plan of each depot.

Rows stand in ``fixtures/workshops.csv``, ``bays.csv``, ``mechanics.csv``, ``absences.csv`` and
``service-needs.csv``. Each is made once.
"""

from datetime import date

from fleet.calc.visit_effort import Effort
from fleet.demo.fixtures import Line, lines, words
from fleet.due.models import Service
from fleet.people.models import Person
from fleet.vehicles.models import Depot, Vehicle
from fleet.visits.models import Absence, Bay, Mechanic, ServiceNeed, Workshop
from fleet.visits.plan import plan
from fleet.workbook.cells import WEEKDAYS

QUICK = Effort(moves=60, programs=4, more_programs=0)  # a first plan; the night looks for longer


def open_workshops(today: date) -> None:
    """What each depot's workshop has, and who is there."""
    depots = {depot.slug: depot for depot in Depot.objects.all()}
    for line in lines("workshops", today):
        Workshop.objects.get_or_create(depot=depots[line["Depot"]], defaults=_workshop(line))
    for line in lines("bays", today):
        rest = {
            "rated_kg": _number(line["Rated [kg]"]),
            "opening_min": _number(line["Opening [min]"]),
            "source": line["Source"],
        }
        Bay.objects.get_or_create(depot=depots[line["Depot"]], name=line["Bay"], defaults=rest)
    people = {person.username: person for person in Person.objects.all()}
    for line in lines("mechanics", today):
        Mechanic.objects.get_or_create(
            depot=depots[line["Depot"]], name=line["Mechanic"], defaults=_mechanic(line, people)
        )
    _keep_away(depots, today)
    _ask_for(today)


def plan_workshop_days(today: date) -> None:
    """A first plan of each depot."""
    plan(list(Depot.objects.values_list("pk", flat=True)), today, effort=QUICK)


def _number(text: str) -> int | None:
    return int(text) if text else None


def _workshop(line: Line) -> dict[str, object]:
    return {
        "opening_min": int(line["Opening [min]"]),
        "kept_share": float(line["Kept share"]),
        "set_up_min": int(line["Set-up [min]"]),
        "vehicles_a_day": _number(line["Vehicles a day"]),
        "source": line["Source"],
    }


def _mechanic(line: Line, people: dict[str, Person]) -> dict[str, object]:
    return {
        "minutes": int(line["Minutes"]),
        "works_on": WEEKDAYS.read(line["Works on"]),
        "skills": words(line, "Skills"),
        "person": people.get(line["Person"]),
        "source": line["Source"],
    }


def _keep_away(depots: dict[str, Depot], today: date) -> None:
    for line in lines("absences", today):
        depot, name = depots[line["Depot"]], line["Mechanic"]
        number = line["Vehicle"]
        Absence.objects.get_or_create(
            mechanic=Mechanic.objects.get(depot=depot, name=name) if name else None,
            vehicle=Vehicle.objects.get(fleet_number=number) if number else None,
            from_on=date.fromisoformat(line["From"]),
            until_on=date.fromisoformat(line["Until"]),
            reason=line["Reason"],
        )


def _ask_for(today: date) -> None:
    for line in lines("service-needs", today):
        service = Service.objects.get(vehicle_type__slug=line["Vehicle type"], slug=line["Service"])
        rest = {
            "skills": words(line, "Skills"),
            "second_min": _number(line["Second person [min]"]) or 0,
            "source": line["Source"],
        }
        ServiceNeed.objects.get_or_create(service=service, defaults=rest)
