"""A late service says why it waits while another visit has a place before it."""

from datetime import timedelta
from html import unescape

import pytest
import time_machine
from django.test import Client

from fleet.calc.visit_behind import Behind
from fleet.due.models import Service
from fleet.people.models import Role
from fleet.visits import plan as plans
from fleet.visits.behind import in_words
from fleet.visits.gather import gather
from fleet.visits.listing import service_rows
from fleet.visits.models import Absence, Mechanic, PlannedService, Workshop
from fleet.workorders.models import Procedure
from tests import scene
from tests.cast import person
from tests.visits.depot import TODAY, fleet

pytestmark = pytest.mark.django_db


def chief() -> Client:
    client = Client()
    client.force_login(person("Sura", Role.SUPERVISOR, scene.depot()))
    return client


def planned(gearbox_min: int) -> PlannedService:
    """A gearbox oil of many minutes that is late, and an engine oil of 60 that falls due.

    Ada is there for 200 minutes every day, Otto for 480 from Wednesday on; none are kept.
    """
    fleet({"V-1": (-20,), "V-2": (300, 0)})
    depot = scene.depot()
    Workshop.objects.update_or_create(depot=depot, defaults={"kept_share": 0.0})
    for slug, minutes in (("gearbox-oil", gearbox_min), ("engine-oil", 60)):
        Procedure.objects.create(
            service=Service.objects.get(slug=slug), family="other", minutes=minutes,
            source="invented", edition="1",
        )  # fmt: skip
    Mechanic.objects.create(depot=depot, name="Ada", source="invented", minutes=200)
    otto = Mechanic.objects.create(depot=depot, name="Otto", source="invented", minutes=480)
    Absence.objects.create(mechanic=otto, from_on=TODAY, until_on=TODAY + timedelta(days=1))
    plans.plan([depot.pk], TODAY)
    return PlannedService.objects.get(vehicle__fleet_number="V-1", service__slug="gearbox-oil")


def test_a_longer_job_that_waits_says_what_the_earlier_place_lacks() -> None:
    with time_machine.travel(scene.NOW, tick=False):
        found = planned(300)
        assert found.visit is not None
        assert found.visit.on == TODAY + timedelta(days=2)  # when Otto is back
        # by hand: 300 min and 20 to set up; V-2 takes 80 of Ada's 200
        assert found.detail == (
            "V-2, less urgent, comes in on 15 Jun 2026, but it asks for 320 min of a mechanic, and "
            "without V-2 200 are left"
        )
        shown = unescape(chief().get(f"/workshop-days/visits/{found.visit.pk}").content.decode())
        assert f"no minutes are left: {found.detail}" in shown
        (row,) = [one for one in service_rows(found.plan) if one.vehicle == "V-1"]
        assert row.detail == found.detail


def test_one_that_has_the_first_place_says_nothing() -> None:
    with time_machine.travel(scene.NOW, tick=False):
        found = planned(100)
        assert found.visit is not None
        assert (found.visit.on, found.detail) == (TODAY, "")
        assert found.late_d > 19


@pytest.mark.parametrize(
    ("one", "words"),
    [
        (Behind(0, 2, 1_240.0), "to come in on 17 Jun 2026 in the place of V-1 would cost 12.40 "
         "EUR more"),
        (Behind(0, 2, 0.4), "to come in on 17 Jun 2026 in the place of V-1 would cost as much"),
        (Behind(0, 2, -5.0), ""),  # the price of a moved day is in it: nothing is to be said
        (Behind(0, 2, -5.0, "skill", "gearboxes", 110, 65),
         "V-1, less urgent, comes in on 17 Jun 2026, but it asks for 110 min of whoever has the "
         "skill gearboxes, and without V-1 65 are left"),
        (Behind(0, 2, -5.0, "bay", "bays that carry it", 110, 65),
         "V-1, less urgent, comes in on 17 Jun 2026, but it asks for 110 min in a bay that carries "
         "it, and without V-1 65 are left"),
        (Behind(0, 2, -5.0, "part", "Filter", 1, 0),
         "V-1, less urgent, comes in on 17 Jun 2026, but too little of Filter is there by then"),
        (Behind(0, 2, -5.0, "vehicles", "Van to spare", 1, 0),
         "V-1, less urgent, comes in on 17 Jun 2026, but no more vehicles of its type can be "
         "spared then"),
        (Behind(0, 2, -5.0, "whole", "", 110, 0),
         "V-1, less urgent, comes in on 17 Jun 2026, but without V-1 nobody has 110 min left in "
         "one piece, or no bay has"),
    ],
)  # fmt: skip
def test_each_cause_has_its_words(one: Behind, words: str) -> None:
    (van,) = fleet({"V-1": (10,)})
    assert in_words(gather(van.depot, TODAY, 56), one) == words
