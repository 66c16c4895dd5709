"""Duty classes as they are listed: one rule for pages, API and whoever asks next."""

from datetime import date

from django.db.models import QuerySet

from fleet.duty.models import DutyAssessment, DutyOverride
from fleet.reads import Read, Rows, prepared, reader
from fleet.vehicles.find import Depots
from fleet.vehicles.models import Vehicle


@reader
def assessed(vehicle: Vehicle, today: date) -> Read[dict[int, DutyAssessment]]:
    """The assessment of each compartment as of a day, by compartment id."""
    rows = _assessed(vehicle.pk, today)
    yield [rows]
    return {row.compartment_id: row for row in rows}


@prepared
def _assessed(vehicle_id: int, today: date) -> Rows:
    rows = DutyAssessment.objects.filter(vehicle=vehicle_id, from_on__lte=today)
    return rows.order_by("from_on")


@reader
def decided(vehicle: Vehicle, today: date) -> Read[dict[int, DutyOverride]]:
    """What a supervisor decided that holds on a day, by compartment id."""
    rows = _decided(vehicle.pk, today)
    yield [rows]
    return {row.compartment_id: row for row in rows}


@prepared
def _decided(vehicle_id: int, today: date) -> Rows:
    rows = DutyOverride.objects.filter(vehicle=vehicle_id, from_on__lte=today, until_on__gte=today)
    return rows.select_related("person").order_by("from_on")


def assessments_at(depots: Depots, duty_class: str | None = None) -> QuerySet[DutyAssessment]:
    """Assessments of vehicles of some depots, of one class (default of both)."""
    rows = DutyAssessment.objects.filter(vehicle__depot__in=depots)
    return rows if duty_class is None else rows.filter(duty_class=duty_class)


def overrides_at(depots: Depots, duty_class: str | None = None) -> QuerySet[DutyOverride]:
    """Decisions about vehicles of some depots, for one class (default for both)."""
    rows = DutyOverride.objects.filter(vehicle__depot__in=depots)
    return rows if duty_class is None else rows.filter(duty_class=duty_class)
