"""Duty classes as they are listed: one rule for pages, API and whoever asks next."""

from datetime import date

from django.db.models import QuerySet

from fleet.duty.models import DutyAssessment, DutyOverride
from fleet.reads import Read, reader
from fleet.vehicles.find import Depots
from fleet.vehicles.models import Vehicle


@reader
def assessed(vehicle: Vehicle, today: date) -> Read[dict[int, DutyAssessment]]:
    """The assessment of each compartment as of a day, by compartment id."""
    rows = DutyAssessment.objects.filter(vehicle=vehicle, from_on__lte=today).order_by("from_on")
    yield [rows]
    return {row.compartment_id: row for row in rows}


@reader
def decided(vehicle: Vehicle, today: date) -> Read[dict[int, DutyOverride]]:
    """What a supervisor decided that holds on a day, by compartment id."""
    rows = DutyOverride.objects.filter(vehicle=vehicle, from_on__lte=today, until_on__gte=today)
    rows = rows.select_related("person").order_by("from_on")
    yield [rows]
    return {row.compartment_id: row for row in rows}


def assessments_at(depots: Depots, duty_class: str | None = None) -> QuerySet[DutyAssessment]:
    """Assessments of vehicles of some depots, of one class (default of both)."""
    rows = DutyAssessment.objects.filter(vehicle__depot__in=depots)
    return rows if duty_class is None else rows.filter(duty_class=duty_class)


def overrides_at(depots: Depots, duty_class: str | None = None) -> QuerySet[DutyOverride]:
    """Decisions about vehicles of some depots, for one class (default for both)."""
    rows = DutyOverride.objects.filter(vehicle__depot__in=depots)
    return rows if duty_class is None else rows.filter(duty_class=duty_class)
