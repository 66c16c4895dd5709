"""A day that cannot hold a visit names what it lacks."""

from datetime import timedelta

import pytest

from fleet.due.models import Service
from fleet.faults import Refused
from fleet.visits import plan as plans
from fleet.visits.models import Absence, Bay, Mechanic, ServiceNeed, Visit
from fleet.visits.weigh import weigh
from tests import scene
from tests.visits.depot import TODAY, fleet

pytestmark = pytest.mark.django_db
IN_D = 2  # a Wednesday


@pytest.fixture
def needs() -> ServiceNeed:
    """One van, its gearbox oil done by one of two mechanics; only Ada has the skill."""
    fleet({"V-1": (10,)})
    for name, skills in (("Ada", ["gearboxes"]), ("Ben", [])):
        Mechanic.objects.create(
            depot=scene.depot(), name=name, minutes=300, skills=skills, source="invented"
        )
    gearbox = Service.objects.get(slug="gearbox-oil")
    return ServiceNeed.objects.create(service=gearbox, source="invented")


def away(name: str) -> None:
    on = TODAY + timedelta(days=IN_D)
    mechanic = Mechanic.objects.get(name=name)
    Absence.objects.create(mechanic=mechanic, from_on=on, until_on=on)


def refusal() -> str:
    plans.plan([scene.depot().pk], TODAY)
    visit = Visit.objects.select_related("plan__depot", "vehicle").latest("plan_id")
    with pytest.raises(Refused) as refused:
        weigh(visit, TODAY + timedelta(days=IN_D), "", TODAY)
    return str(refused.value)


def test_a_skill_is_named_with_who_has_it(needs: ServiceNeed) -> None:
    ServiceNeed.objects.update(skills=["gearboxes"])
    away("Ada")
    assert "asks for the skill gearboxes, and Ada, who has it, is not there" in refusal()


def test_a_second_person_is_named_with_who_is_alone(needs: ServiceNeed) -> None:
    ServiceNeed.objects.update(second_min=15)
    away("Ada")
    assert "asks for a second person for 15 min, and only Ben is there" in refusal()


def test_nobody_there_is_said(needs: ServiceNeed) -> None:
    for name in ("Ada", "Ben"):
        away(name)
    assert "no mechanic is there" in refusal()


def test_work_longer_than_anybody_is_there_is_said(needs: ServiceNeed) -> None:
    # by hand: 30 min for want of a procedure and 20 to set up; nobody is there for more than 40
    plans.plan([scene.depot().pk], TODAY)
    Mechanic.objects.update(minutes=40)
    visit = Visit.objects.select_related("plan__depot", "vehicle").latest("plan_id")
    with pytest.raises(Refused, match=r"its 50 min of work are longer .* \(40 min\)"):
        weigh(visit, TODAY + timedelta(days=IN_D), "", TODAY)


def test_a_bay_is_named_by_its_opening_and_by_what_it_carries(needs: ServiceNeed) -> None:
    plans.plan([scene.depot().pk], TODAY)
    bay = Bay.objects.create(depot=scene.depot(), name="Pit", opening_min=45, source="invented")
    visit = Visit.objects.select_related("plan__depot", "vehicle").latest("plan_id")
    on = TODAY + timedelta(days=IN_D)
    with pytest.raises(Refused, match="50 min in the bay, longer than the opening of 45 min"):
        weigh(visit, on, "", TODAY)
    scene.van_type().__class__.objects.update(gross_mass_kg=3_500)
    Bay.objects.filter(pk=bay.pk).update(rated_kg=3_000)
    with pytest.raises(Refused, match="no bay is rated for more than 3000 kg, and it has 3500 kg"):
        weigh(visit, on, "", TODAY)
