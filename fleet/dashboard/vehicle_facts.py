"""What the Vehicle page tells besides due dates and readings: duty, history, the chart."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from fleet.dashboard.charts import FanPoint, NextLimit, Odometer, ReadingPoint
from fleet.due.listing import DueRow
from fleet.due.models import Fill, ServiceDone
from fleet.duty import assess
from fleet.duty.models import Criterion, DutyAssessment, DutyOverride
from fleet.readings.models import Reading, Verdict
from fleet.usage.measure import fan
from fleet.vehicles.models import Compartment, Meter, Vehicle

CHART_READINGS = 600  # newest
FAN_BEYOND_D = 30  # drawn past the latest likely day
FAN_MOST_D = 730
FAN_STEP_D = 3  # between the points drawn: the curve is smooth


@dataclass(frozen=True)
class LastReading:
    total: float
    unit: str
    taken_at: datetime  # local time of the depot
    age_d: int
    provisional: bool


@dataclass(frozen=True)
class ExposureLine:
    name: str
    exposure: float
    limit: float
    declared: bool
    reached: bool
    source: str


@dataclass(frozen=True)
class DutyLine:
    """The class in force in one compartment, and what it rests on."""

    compartment: Compartment
    duty_class: str
    since_on: date | None  # empty: nothing assessed yet
    overridden: DutyOverride | None
    exposures: Sequence[ExposureLine]


@dataclass(frozen=True)
class HistoryLine:
    """A service done, or a fill."""

    on: date
    what: str
    total_km: float | None
    detail: str
    source: str
    provisional: bool


def last_reading(vehicle: Vehicle, today: date) -> LastReading | None:
    accepted = Reading.objects.filter(
        vehicle=vehicle, meter__kind=Meter.Kind.KM, verdict=Verdict.ACCEPTED
    )
    newest = accepted.order_by("-taken_at", "-id").first()
    if newest is None:
        return None
    local = newest.taken_at.astimezone(ZoneInfo(vehicle.depot.zone))
    total = newest.meter_value if newest.total is None else newest.total
    return LastReading(total, "km", local, (today - local.date()).days, newest.provisional)


def duty_lines(vehicle: Vehicle, today: date) -> list[DutyLine]:
    """One line for each compartment of the vehicle's type."""
    rows = DutyAssessment.objects.filter(vehicle=vehicle, from_on__lte=today).order_by("from_on")
    assessed = {row.compartment_id: row for row in rows}
    decided = DutyOverride.objects.filter(
        vehicle=vehicle, from_on__lte=today, until_on__gte=today
    ).select_related("person")
    overrides = {row.compartment_id: row for row in decided.order_by("from_on")}
    exposures = _exposures(vehicle, today.replace(day=1))
    return [
        _duty_line(one, assessed.get(one.pk), overrides.get(one.pk), exposures.get(one.kind, []))
        for one in Compartment.objects.filter(vehicle_type=vehicle.vehicle_type_id)
    ]


def _duty_line(
    compartment: Compartment,
    row: DutyAssessment | None,
    overridden: DutyOverride | None,
    exposures: Sequence[ExposureLine],
) -> DutyLine:
    ruling = overridden or row
    return DutyLine(
        compartment=compartment,
        duty_class=ruling.duty_class if ruling else "normal",
        since_on=ruling.from_on if ruling else None,
        overridden=overridden,
        exposures=exposures,
    )


def _exposures(vehicle: Vehicle, month_on: date) -> dict[str, list[ExposureLine]]:
    named = {row.slug: row for row in Criterion.objects.all()}
    return {
        kind: [
            ExposureLine(
                name=named[item["criterion"]].name,
                exposure=item["exposure"],
                limit=item["limit"],
                declared=item["declared"],
                reached=item["reached"],
                source=named[item["criterion"]].source,
            )
            for item in items
        ]
        for kind, items in assess.exposures(vehicle.pk, month_on).items()
    }


def history_lines(vehicle: Vehicle) -> list[HistoryLine]:
    """Services and fills, newest first; what a later row corrects is left out."""
    done = ServiceDone.objects.filter(vehicle=vehicle, superseded_by=None)
    fills = Fill.objects.filter(vehicle=vehicle)
    lines = [_done_line(row) for row in done.select_related("service")]
    lines += [_fill_line(row) for row in fills.select_related("compartment", "product")]
    return sorted(lines, key=lambda line: line.on, reverse=True)


def _done_line(row: ServiceDone) -> HistoryLine:
    return HistoryLine(
        on=row.done_on,
        what=row.service.name,
        total_km=row.total_km,
        detail=row.evidence,
        source=row.source,
        provisional=row.provisional,
    )


def _fill_line(row: Fill) -> HistoryLine:
    litres = f", {row.quantity_ml / 1000:g} L" if row.quantity_ml else ""
    product = str(row.product) if row.product else row.origin
    extra = "" if row.full_change else ", not a full change"
    mixed = f", mixed with {row.mixed_with}" if row.mixed_with else ""
    return HistoryLine(
        on=row.filled_on,
        what=f"{row.compartment.name}: fill",
        total_km=None,
        detail=f"{product}{litres}{extra}{mixed}",
        source=row.source,
        provisional=False,
    )


def odometer_chart(vehicle: Vehicle, rows: Sequence[DueRow], today: date) -> Odometer:
    """Readings of the distance meter, what is to come, and the next limit in km."""
    meter = Meter.objects.filter(vehicle=vehicle, kind=Meter.Kind.KM).first()
    zone = ZoneInfo(vehicle.depot.zone)
    next_row = next((row for row in rows if (row.remaining_km or 0) > 0 and row.p90), None)
    last = last_reading(vehicle, today)
    limit = None
    if next_row and last and next_row.remaining_km is not None:
        limit = NextLimit(next_row.service_name, last.total + next_row.remaining_km)
    return Odometer(
        vehicle=vehicle.fleet_number,
        unit="km",
        readings=_points(meter, zone) if meter else [],
        fan=_fan(meter, next_row, today) if meter and last else [],
        limit=limit,
    )


def _points(meter: Meter, zone: ZoneInfo) -> list[ReadingPoint]:
    newest = Reading.objects.filter(meter=meter).order_by("-taken_at", "-id")[:CHART_READINGS]
    return [
        ReadingPoint(
            taken_at=reading.taken_at.astimezone(zone),
            shown=reading.meter_value if reading.total is None else reading.total,
            verdict=reading.verdict,
            note=f"{reading.value:,.0f} {reading.unit}",
        )
        for reading in reversed(newest)
    ]


def _fan(meter: Meter, next_row: DueRow | None, today: date) -> list[FanPoint]:
    latest = (next_row.p90 if next_row else None) or today + timedelta(days=90)
    until = min(max(latest, today) + timedelta(days=FAN_BEYOND_D), today + timedelta(FAN_MOST_D))
    found = fan(meter.pk, until)
    if found is None:
        return []
    days = range(0, len(found.on), FAN_STEP_D)
    return [
        FanPoint(
            found.on[at].item(),
            float(found.p10[at]),
            float(found.p50[at]),
            float(found.p90[at]),
        )
        for at in days
    ]
