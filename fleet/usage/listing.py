"""What is known of meters as it is listed: one rule for pages, API and whoever asks next."""

from collections.abc import Collection

from django.db.models import FilteredRelation, Q, QuerySet

from fleet.usage.models import UsageState
from fleet.vehicles.models import Meter, Vehicle


def odometer_states(vehicle_ids: Collection[int]) -> dict[int, UsageState]:
    """How much vehicles run by their odometers, by vehicle id."""
    rows = UsageState.objects.filter(vehicle__in=vehicle_ids, meter__kind=Meter.Kind.KM)
    return {row.vehicle_id: row for row in rows}


def with_odometer(rows: QuerySet[Vehicle]) -> QuerySet[Vehicle]:
    """Vehicles beside their odometer as ``km``, also those that have none."""
    own = FilteredRelation("meters", condition=Q(meters__kind=Meter.Kind.KM))
    return rows.alias(km=own)
