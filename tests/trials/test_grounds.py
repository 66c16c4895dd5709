"""What a longer interval rests on, ground by ground; the climate; and who was changed."""

from datetime import date, timedelta

import numpy as np
import pytest

from fleet.due.models import Fill, Limit
from fleet.duty.models import DutyAssessment, DutyOverride
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.trials.approve import approve, requirements
from fleet.trials.evaluate import evaluate
from fleet.trials.models import LongerInterval, Trial
from fleet.trials.rate import LabLimits, Measured, add_samples, name_property
from fleet.trials.seasons import _depot_at, warmth, without_climate
from fleet.vehicles.models import ClimateMonth, DepotStay, Vehicle
from fleet.workorders.models import Finding
from tests import scene
from tests.kept import kept
from tests.scene import NOW
from tests.trials.field import PROGRAM, STARTS_ON, Field, begun, person
from tests.trials.test_approve import END, PROPOSED_KM, shown

__all__ = ["shown"]
pytestmark = pytest.mark.django_db
TODAY = NOW.date()


def ground(field: Field, what: str, consent: str = "") -> tuple[bool, str]:
    rows = {one.what: (one.met, one.told) for one in requirements(field.trial, NOW, consent)}
    return rows[what]


def tried(field: Field) -> list[int]:
    return [place.vehicle_id for place in field.places if place.group.tried]


# --- the laboratory and hard use ---------------------------------------------------------------
@pytest.mark.parametrize(("left", "met"), [(4, True), (3, False)])
def test_four_vehicles_are_sampled_to_the_end(shown: Field, left: int, met: bool) -> None:
    for place in [one for one in shown.places if one.group.tried][left:]:
        place.samples.all().delete()
    told = f"{left} vehicles kept every limit at the end of the interval, with no value outside on"
    found = ground(shown, "Laboratory")
    assert found[0] is met
    assert found[1].startswith(told)


@pytest.mark.parametrize(("severe", "met"), [(3, True), (2, False)])
def test_three_of_them_are_in_severe_duty_on_the_day_of_the_sample(
    shown: Field, severe: int, met: bool
) -> None:
    DutyOverride.objects.filter(vehicle__in=tried(shown)[severe:]).update(duty_class="normal")
    assert ground(shown, "Severe duty") == (
        met,
        f"{severe} of these {len(tried(shown))} vehicles had the Gearbox in severe duty; "
        "3 are needed.",
    )


@pytest.mark.parametrize(
    ("from_on", "until_on", "counts"),
    [(END, END, True), (END + timedelta(1), TODAY, False), (STARTS_ON, END - timedelta(1), False)],
)
def test_the_duty_is_that_of_the_day(
    shown: Field, from_on: date, until_on: date, counts: bool
) -> None:
    DutyOverride.objects.update(from_on=from_on, until_on=max(from_on, until_on))
    assert ground(shown, "Severe duty")[0] is counts


def test_without_an_override_the_assessment_of_the_day_tells(shown: Field) -> None:
    DutyOverride.objects.all().delete()
    DutyAssessment.objects.all().delete()
    place = shown.trial.service.compartment
    for pk in tried(shown):
        for on, duty in ((STARTS_ON, "severe"), (END + timedelta(days=1), "normal")):
            DutyAssessment.objects.create(
                vehicle_id=pk, compartment=place, from_on=on, duty_class=duty, evidence=[]
            )
    assert ground(shown, "Severe duty")[0] is True


def test_every_property_must_be_kept_by_the_same_vehicle(shown: Field) -> None:
    limits = LabLimits(name="Water", slug="water", unit="%", high=0.5, source="our choice")
    water = name_property(PROGRAM, shown.trial, limits)
    assert ground(shown, "Laboratory")[1].startswith("0 vehicles")
    own = [place for place in shown.places if place.group.tried]
    add_samples(
        PROGRAM, [Measured(one, water, END, 0.5, "report 2", f"{one.pk}-water") for one in own]
    )
    assert ground(shown, "Laboratory")[0] is True


# --- what stands beside ------------------------------------------------------------------------
def test_a_proposed_interval_is_longer_than_a_limit_of_its_class(shown: Field) -> None:
    assert ground(shown, "Proposed interval") == (
        True,
        "18,000 km, longer than the limit in normal duty.",
    )
    limit = Limit.objects.get(product=None)
    severe = {"service": limit.service, "duty_class": "severe", "source": "invented"}
    Limit.objects.create(**severe, limit_km=17_999)
    told = "18,000 km, longer than the limit in normal and severe duty."
    assert ground(shown, "Proposed interval") == (True, told)
    Limit.objects.update(limit_km=PROPOSED_KM)
    told = "18,000 km is not longer than any limit of this service."
    assert ground(shown, "Proposed interval") == (False, told)
    shown.trial.proposed_interval_km = None
    told = "None was proposed when the trial was set up."
    assert ground(shown, "Proposed interval") == (False, told)
    assert ground(shown, "Kind of fluid") == (True, "Gearbox fluid may be tried longer.")


@pytest.mark.parametrize(
    ("place", "closed", "of_tried", "stops"),
    [
        ("gearbox", False, True, True),
        (None, False, True, True),  # nobody said where
        ("engine", False, True, False),
        ("gearbox", True, True, False),
        ("gearbox", False, False, False),
    ],
)
def test_an_open_finding_of_the_compartment_or_of_none_stands_in_its_way(
    shown: Field, place: str | None, closed: bool, of_tried: bool, stops: bool
) -> None:
    row = next(one for one in shown.places if one.group.tried is of_tried)
    kind = shown.trial.service.vehicle_type
    where = kind.compartments.get(slug=place) if place else None
    Finding.objects.create(
        vehicle=row.vehicle, compartment=where, kind="seep", severity="soon", text="damp",
        found_by="mechanic", client_key="seep-0001", performed_at=NOW, channel="test",
        closed_at=NOW if closed else None,
    )  # fmt: skip
    told = f"Open on {row.vehicle.fleet_number}: settle them first." if stops else "None is open."
    assert ground(shown, "Related findings") == (not stops, told)


@pytest.mark.parametrize(
    ("days", "status", "consent", "met", "told"),
    [
        (0, "in use", "", False, "1 vehicles of this type are under warranty: name the maker's"),
        (0, "in use", " letter 7 ", True, "The maker consents in writing: letter 7"),
        (-1, "in use", "", True, "No vehicle of this type is under warranty."),
        (9, "sold", "", True, "No vehicle of this type is under warranty."),
        (-1, "in use", "letter 7", True, "No vehicle of this type is under warranty."),
    ],
)
def test_warranty_holds_on_its_last_day_and_asks_for_consent(
    shown: Field, days: int, status: str, consent: str, met: bool, told: str
) -> None:
    until_on = TODAY + timedelta(days=days)
    Vehicle.objects.filter(fleet_number="V-1").update(
        under_warranty_until_on=until_on, status=status
    )
    found = ground(shown, "Warranty", consent)
    assert found[0] is met
    assert found[1].startswith(told)


# --- what is written ---------------------------------------------------------------------------
def test_the_limit_keeps_what_the_calendar_asks_for_and_the_decision_its_grounds(
    shown: Field,
) -> None:
    Limit.objects.update(limit_months=24, tolerance_km=500, tolerance_d=14)
    chief = Actor(person("Sura", Role.SUPERVISOR, scene.depot()), "page", NOW)
    for reason, by in ((" ", chief), ("it lasts", Actor(None, "command", NOW))):
        with pytest.raises(Fault, match="say who decides and why"):
            approve(by, shown.trial, reason=reason)
    decision = approve(chief, shown.trial, reason=f" {'r' * 280} ", consent=" letter ")
    limit = decision.limits.get()
    assert (limit.limit_km, limit.limit_months) == (18_000, 24)
    assert (limit.tolerance_km, limit.tolerance_d) == (500, 14)
    assert len(limit.source) == 300
    assert (decision.reason, decision.consent) == ("r" * 280, "letter")
    assert (decision.interval_km, decision.decided_at) == (18_000, NOW)
    assert [one["met"] for one in decision.grounds] == [True] * 6
    told = shown.trial.events.get(what="longer interval approved").detail
    assert told.startswith("18,000 km: ")
    assert LongerInterval.objects.count() == 1


# --- who was changed at the start --------------------------------------------------------------
@kept
def field() -> Field:
    return begun(10)


@pytest.mark.parametrize(
    ("days", "changed"), [(-15, False), (-14, True), (0, True), (60, True), (61, False)]
)
def test_a_change_counts_from_a_fortnight_before_to_sixty_days_after_the_start(
    field: Field, days: int, changed: bool
) -> None:
    place = field.places[0]
    on = STARTS_ON + timedelta(days=days)
    Fill.objects.filter(vehicle=place.vehicle).update(filled_on=on)
    told = evaluate(field.trial, NOW).details["start"]
    side = "tried" if place.group.tried else "usual"
    other = "usual" if place.group.tried else "tried"
    assert told["not changed"] == {side: [] if changed else ["V-1"], other: []}
    assert told["share changed"] == {side: 1.0 if changed else 0.8, other: 1.0}
    assert told["unequal"] is False  # a fifth apart is still alike


def test_a_change_after_the_day_of_the_look_is_not_known_yet(field: Field) -> None:
    Fill.objects.update(filled_on=STARTS_ON + timedelta(days=3))
    at = NOW.replace(year=2025, month=12, day=3)
    told = evaluate(field.trial, at).details["start"]["share changed"]
    assert told == {"usual": 0.0, "tried": 0.0}
    told = evaluate(field.trial, at + timedelta(days=1)).details["start"]["share changed"]
    assert told == {"usual": 1.0, "tried": 1.0}


# --- the climate -------------------------------------------------------------------------------
def months_of(field: Field, count: int, year: int = 0) -> None:
    ClimateMonth.objects.bulk_create(
        ClimateMonth(
            depot=field.vans[0].depot,
            year=year,
            month=month,
            mean_daily_max_c=2.0 * month + 5,
            mean_daily_min_c=2.0 * month - 5,
            source="invented",
        )
        for month in range(1, count + 1)
    )


@pytest.mark.parametrize(
    ("count", "year", "lacks"), [(12, 0, False), (11, 0, True), (12, 2026, True)]
)
def test_a_climate_is_entered_for_every_month_of_every_year(
    field: Field, count: int, year: int, lacks: bool
) -> None:
    months_of(field, count, year)
    assert without_climate(field.trial) == (["Plain"] if lacks else [])


def test_a_rating_is_in_a_third_of_the_trials_months_at_its_depot(field: Field) -> None:
    """December to June: 24, 2, 4, 6, 8, 10 and 12 °C."""
    months_of(field, 12)
    van = field.vans[0].pk
    days = [
        np.datetime64(day, "D").astype(float) + 0.5
        for day in ("2026-01-09", "2026-04-09", "2025-12-09")
    ]
    found = warmth(field.trial, np.array([van] * 3), np.array(days), NOW)
    assert found.tolist() == [0, 1, 2]
    far = scene.depot("far")
    Vehicle.objects.filter(pk=van).update(depot=far)
    assert warmth(field.trial, np.array([van]), np.array(days[:1]), NOW).tolist() == [-2]


def test_a_vehicle_is_at_the_depot_of_its_stay() -> None:
    one, other, bare = (scene.van(f"V-{at}") for at in range(3))
    far, hill = scene.depot("far"), scene.depot("hill")
    for van, depot, on in (
        (one, far, "2026-03-01"),
        (one, hill, "2026-04-01"),
        (other, hill, "2026-03-05"),
    ):
        DepotStay.objects.create(vehicle=van, depot=depot, from_on=on)

    def at(van: Vehicle, day: str) -> int:
        asked = np.array([np.datetime64(day, "D").astype(float)])
        return int(_depot_at(np.array([van.pk]), asked)[0])

    # the first stay holds for what was before it
    assert [at(one, day) for day in ("2026-01-01", "2026-03-31", "2026-04-01")] == [
        *(far.pk, far.pk, hill.pk),
    ]
    assert at(other, "2026-01-01") == at(other, "2026-06-01") == hill.pk
    assert at(bare, "2026-01-01") == bare.depot_id
    assert Trial.objects.count() == 0
