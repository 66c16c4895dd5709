"""A longer interval needs all of its grounds, and is a supervisor's recorded decision."""

from datetime import date, timedelta

import pytest

from fleet.due.models import Limit
from fleet.duty.models import DutyOverride
from fleet.faults import Forbidden, Refused
from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.trials.approve import approve, requirements
from fleet.trials.rate import LabLimits, Measured, add_samples, name_property
from fleet.workorders.findings import Report, report
from tests.kept import kept
from tests.scene import NOW, depot
from tests.trials.field import INTERVAL_KM, PROGRAM, STARTS_ON, Field, begun, person

pytestmark = pytest.mark.django_db

PROPOSED_KM = 18_000.0  # reached on day 180
END = STARTS_ON + timedelta(days=185)


@kept
def shown() -> Field:
    """All is shown: samples at the end, severe duty, nothing open, no warranty."""
    field = begun(8, proposed_interval_km=PROPOSED_KM)
    field.trial.service.limits.update(limit_km=INTERVAL_KM)
    wear = name_property(
        PROGRAM,
        field.trial,
        LabLimits(name="Iron", slug="iron", unit="mg/kg", high=100, source="our choice"),
    )
    for place in field.places:
        DutyOverride.objects.create(
            vehicle=place.vehicle,
            compartment=field.trial.service.compartment,
            from_on=STARTS_ON,
            until_on=date(2027, 1, 1),
            duty_class="severe",
            reason="hills",
        )
    samples = [
        Measured(place, wear, END, 40.0, "report 1", f"{place.pk}-iron") for place in field.places
    ]
    add_samples(PROGRAM, samples)
    return field


@pytest.fixture
def chief(shown: Field) -> Actor:
    return Actor(person("Sura", Role.SUPERVISOR, depot()), "page", NOW)


def refused(field: Field, chief: Actor, words: str, consent: str = "") -> None:
    with pytest.raises(Refused, match=words):
        approve(chief, field.trial, reason="it lasts", consent=consent)
    assert not Limit.objects.exclude(product=None).exists()


def test_all_grounds_shown_it_becomes_a_limit_of_the_product(shown: Field, chief: Actor) -> None:
    decision = approve(chief, shown.trial, reason="it lasts")
    limit = decision.limits.get()
    assert (limit.limit_km, limit.limit_months, limit.occasion) == (PROPOSED_KM, 36, "repeat")
    assert limit.product == shown.trial.groups.get(tried=True).product
    assert limit.source.startswith("field trial dearer-gearbox-oil, approved by Sura")
    assert shown.trial.events.filter(what="longer interval approved").count() == 1


def test_the_usual_products_limit_stays(shown: Field, chief: Actor) -> None:
    approve(chief, shown.trial, reason="it lasts")
    assert Limit.objects.get(product=None).limit_km == INTERVAL_KM


def test_it_is_approved_once(shown: Field, chief: Actor) -> None:
    approve(chief, shown.trial, reason="it lasts")
    with pytest.raises(Refused, match="already"):
        approve(chief, shown.trial, reason="it lasts")


def test_samples_before_the_end_show_nothing(shown: Field, chief: Actor) -> None:
    for place in shown.places:
        place.samples.update(drawn_on=END - timedelta(days=30))
    refused(shown, chief, "0 vehicles kept every limit")


def test_a_value_outside_on_the_way_rules_a_vehicle_out(shown: Field, chief: Actor) -> None:
    place = next(one for one in shown.places if one.group.tried)
    early = Measured(
        place, shown.trial.properties.get(), STARTS_ON + timedelta(90), 101.0, "report 0", "early"
    )
    add_samples(PROGRAM, [early])
    refused(shown, chief, "3 vehicles kept every limit")


def test_vehicles_in_normal_duty_alone_do_not_show_it(shown: Field, chief: Actor) -> None:
    DutyOverride.objects.all().delete()
    refused(shown, chief, "vehicles had the Gearbox in severe duty")


def test_an_open_finding_stands_in_its_way(shown: Field, chief: Actor) -> None:
    place = next(one for one in shown.places if one.group.tried)
    report(
        PROGRAM,
        Report(
            vehicle=place.vehicle,
            compartment=shown.trial.service.compartment,
            kind="seep",
            severity="soon",
            text="damp",
            client_key="seep-there",
        ),
    )
    refused(shown, chief, f"Open on {place.vehicle.fleet_number}")


def test_under_warranty_the_maker_must_consent(shown: Field, chief: Actor) -> None:
    shown.vans[0].under_warranty_until_on = date(2027, 6, 1)
    shown.vans[0].save()
    refused(shown, chief, "written consent")
    assert approve(chief, shown.trial, reason="it lasts", consent="letter of 3 May").consent


@pytest.mark.parametrize("kind", ["brake", "clutch", "cooling"])
def test_it_is_never_approved_for_brake_fluid_or_coolant(
    shown: Field, chief: Actor, kind: str
) -> None:
    compartment = shown.trial.service.compartment
    compartment.kind = kind
    compartment.save()
    refused(shown, chief, "never made longer")


def test_nothing_longer_than_the_limit_is_nothing_to_approve(shown: Field, chief: Actor) -> None:
    shown.trial.service.limits.update(limit_km=60_000)
    refused(shown, chief, "not longer than any limit")


def test_an_engineer_does_not_approve(shown: Field) -> None:
    engineer = Actor(person("Noor", Role.ENGINEER, depot()), "page", NOW)
    with pytest.raises(Forbidden, match="approve a longer interval"):
        approve(engineer, shown.trial, reason="it lasts")


def test_feel_alone_meets_no_condition_of_the_laboratory() -> None:
    field = begun(8, proposed_interval_km=PROPOSED_KM)
    found = {one.what: one for one in requirements(field.trial, NOW)}
    assert not found["Laboratory"].met
    assert found["Laboratory"].told == "No property with limits and a source was named."
    assert not found["Severe duty"].met
