"""What cannot be is planned around, and named with what would mend it: by command, page and API."""

import json
from collections.abc import Callable
from datetime import date, timedelta
from html import unescape

import pytest
import time_machine
from django.test import Client

from config import cli
from fleet.people.models import Role
from fleet.vehicles.models import Closure, Depot, Vehicle, VehicleType
from fleet.visits.models import Absence, Bay, BlockedDays, Mechanic, OtherWork
from tests import scene
from tests.cast import person
from tests.visits.depot import TODAY, fleet
from tests.visits.test_parts import shelf, washers

pytestmark = pytest.mark.django_db
FAR = TODAY + timedelta(days=400)  # beyond the 56 days of a plan


def ahead(days: int) -> date:
    return TODAY + timedelta(days=days)


def mechanic(name: str = "Ada", **more: object) -> Mechanic:
    return Mechanic.objects.create(depot=scene.depot(), name=name, source="invented", **more)


def fixed(number: str, on: date, minutes: int = 60, **more: object) -> OtherWork:
    van = Vehicle.objects.get(fleet_number=number)
    return OtherWork.objects.create(
        vehicle=van, title=f"Inspection of {number}", minutes=minutes, fixed_on=on, **more
    )


def no_open_day() -> None:
    BlockedDays.objects.create(
        depot=scene.depot(), from_on=TODAY, until_on=FAR, reason="rebuilding"
    )


def nobody_there() -> None:
    Absence.objects.create(mechanic=mechanic(), from_on=TODAY, until_on=FAR)


def no_skill() -> None:
    mechanic()
    OtherWork.objects.create(
        vehicle=Vehicle.objects.get(fleet_number="V-1"), title="Gas test", minutes=30,
        latest_on=ahead(9), skills=["gas"],
    )  # fmt: skip


def no_bay() -> None:
    VehicleType.objects.update(height_m=3.4)
    Bay.objects.create(depot=scene.depot(), name="Lift 1", height_m=2.8, source="invented")


def away_throughout() -> None:
    van = Vehicle.objects.get(fleet_number="V-1")
    Absence.objects.create(vehicle=van, from_on=ahead(-3), until_on=FAR)


def fixed_on_a_closed_day() -> None:
    Closure.objects.create(depot=scene.depot(), on=ahead(3), note="stocktaking")
    fixed("V-1", ahead(3))


def fixed_while_away() -> None:
    van = Vehicle.objects.get(fleet_number="V-1")
    Absence.objects.create(vehicle=van, from_on=ahead(2), until_on=ahead(4))
    fixed("V-1", ahead(3))


def days_contradict() -> None:
    # by hand: 20 to set up and 300, twice, are 640 minutes of the one mechanic's 480
    mechanic()
    for number in ("V-1", "V-2"):
        fixed(number, ahead(3), minutes=300)


def too_long() -> None:
    mechanic(minutes=120)
    van = Vehicle.objects.get(fleet_number="V-1")
    OtherWork.objects.create(vehicle=van, title="Engine swap", minutes=600, latest_on=ahead(9))


def a_part_never_comes() -> None:
    shelf(washers(), 1, lead_time_d=90)


SCENES: dict[Callable[[], None], str] = {
    no_open_day: "Plain is open on no day of the plan: correct its working days, its closures or "
    "its blocked days.",
    nobody_there: "Nobody is there at Plain on any day of the plan: enter another mechanic, or "
    "correct the minutes, days of work and absences of those there are.",
    no_skill: "No mechanic at Plain has the skill 'gas': give it to one under Mechanics, or take "
    "it off the services that ask for it.",
    no_bay: "V-1, V-2 fit no bay at Plain: no bay is higher than 2.8 m, and it has 3.4 m. Correct "
    "the sizes under Bays or those of the type, or send them to an outside workshop.",
    away_throughout: "V-1: away on every open day until 9 Aug 2026, so nothing of it is planned. "
    "Shorten the absence, or have it done where it is.",
    fixed_on_a_closed_day: "V-1 stands on 18 Jun 2026, when the workshop is closed (stocktaking): "
    "choose another day. It fits on 19 Jun 2026.",
    fixed_while_away: "V-1 stands on 18 Jun 2026 and is away then: move the visit, or correct the "
    "absence. It fits on 22 Jun 2026.",
    days_contradict: "V-2 stands on 18 Jun 2026 and does not fit: no bay that carries it has "
    "320 min left: choose another day or bay, or move another visit first. It fits on "
    "19 Jun 2026.",
    a_part_never_comes: "Washer: this plan could take 4 pieces; usable at Plain: 1 piece. "
    "No more comes within the plan: order it elsewhere, or allow a substitute.",
    too_long: "Engine swap: longer than anybody at Plain is there on a day. Plan it by hand, or "
    "enter the minutes as they are.",
}


@pytest.mark.parametrize("there_is", SCENES, ids=lambda one: one.__name__)
def test_it_is_named_by_command_page_and_api(
    there_is: Callable[[], None], capsys: pytest.CaptureFixture[str]
) -> None:
    with time_machine.travel(scene.NOW, tick=False):
        fleet({"V-1": (10,), "V-2": (20,)})
        there_is()
        assert cli.main(["plan", "--json"]) == 0
        (row,) = json.loads(capsys.readouterr().out)
        client = Client()
        client.force_login(person("Sura", Role.SUPERVISOR, Depot.objects.get()))
        (by_api,) = client.get("/api/v1/plan").json()["rows"]
        shown = unescape(client.get("/workshop-days?depot=plain").content.decode())
    said = SCENES[there_is]
    assert row["lacking"] == by_api["lacking"]
    assert said in row["lacking"]
    assert f">{said}<" in shown
    # a plan all the same, and every service of it planned or left out
    assert row["bound"] <= row["cost"]
    assert row["services"] >= 2


def test_where_everything_can_be_done_nothing_is_said() -> None:
    from fleet.visits.cannot import cannot
    from fleet.visits.gather import gather
    from fleet.visits.task import make

    fleet({"V-1": (10,)})
    mechanic()
    fixed("V-1", ahead(3))
    found = gather(scene.depot(), TODAY, 56)
    assert cannot(found, make(found)) == []
