"""What the Vehicle page tells besides due dates and readings: duty, history, the chart."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from fleet.calc.duty import Criterion as AsComputed
from fleet.dashboard.charts import FanPoint, LimitLine, Odometer, ReadingPoint
from fleet.due.listing import DueRow
from fleet.due.models import Fill, ServiceDone
from fleet.due.record import standing_rows
from fleet.duty import assess, listing
from fleet.duty.lacking import lacking
from fleet.duty.models import Criterion, DutyAssessment, DutyOverride
from fleet.readings.listing import last_accepted
from fleet.readings.main_meter import main_meter
from fleet.readings.models import Reading
from fleet.readings.reasons import on_meter
from fleet.reads import Read, Rows, prepared, reader, side_by_side
from fleet.trials.blind import Place
from fleet.usage.measure import fan, running_again_since, standing_since
from fleet.vehicles.models import Compartment, Meter, Vehicle
from fleet.vehicles.own_unit import in_own

CHART_READINGS = 600  # newest
FAN_BEYOND_D = 30  # drawn past the latest likely day
FAN_MOST_D = 730
FAN_STEP_D = 3  # between the points drawn: the curve is smooth


@dataclass(frozen=True)
class LastReading:
    total: float  # [km or h]
    unit: str  # what the instrument shows: km, mi or h
    on_meter: str  # what it shows where that is not the total, in words
    taken_at: datetime  # local time of the depot
    age_d: int
    provisional: bool
    standing_since_on: date | None  # empty: it runs
    running_since_on: date | None  # again, though it still counts as standing


@dataclass(frozen=True)
class ExposureLine:
    name: str
    exposure: float
    window_months: int
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
    nothing: str  # why no use can make it severe; empty where some can


@dataclass(frozen=True)
class HistoryLine:
    """A service done, or a fill."""

    on: date
    what: str
    total_km: float | None
    detail: str
    source: str
    provisional: bool


@reader
def last_readings(
    vehicle: Vehicle, meters: Iterable[Meter], today: date
) -> Read[list[LastReading]]:
    """The last accepted reading of each meter, that of the meter it is read by first."""
    found = yield from side_by_side(
        *(_last_reading.steps(vehicle, meter, today) for meter in meters)
    )
    return [one for one in found if one is not None]


@reader
def _last_reading(vehicle: Vehicle, meter: Meter, today: date) -> Read[LastReading | None]:
    newest, since, again = yield from side_by_side(
        last_accepted.steps(meter),
        standing_since.steps(meter.pk),
        running_again_since.steps(meter.pk),
    )
    if newest is None:
        return None
    local = newest.taken_at.astimezone(ZoneInfo(vehicle.depot.zone))
    total = newest.meter_value if newest.total is None else newest.total
    return LastReading(
        total=total,
        unit=meter.unit,
        on_meter=on_meter(newest, meter.unit),
        taken_at=local,
        age_d=(today - local.date()).days,
        provisional=newest.provisional,
        standing_since_on=since and since.astimezone(local.tzinfo).date(),
        running_since_on=again and again.astimezone(local.tzinfo).date(),
    )


@reader
def duty_lines(
    vehicle: Vehicle, compartments: Sequence[Compartment], today: date
) -> Read[list[DutyLine]]:
    """One line for each compartment of the vehicle's type."""
    assessed, overrides, known = yield from side_by_side(
        listing.assessed.steps(vehicle, today),
        listing.decided.steps(vehicle, today),
        assess.criteria_in_force(),
    )
    rows = {row.slug: row for row in known}
    in_force = [assess.criterion(row) for row in rows.values()]
    exposures = _exposures(vehicle, today.replace(day=1), rows, in_force)
    powertrain = vehicle.vehicle_type.powertrain
    return [
        _duty_line(
            one,
            assessed.get(one.pk),
            overrides.get(one.pk),
            exposures.get(one.kind, []),
            lacking(one, powertrain, in_force),
        )
        for one in compartments
    ]


def _duty_line(
    compartment: Compartment,
    row: DutyAssessment | None,
    overridden: DutyOverride | None,
    exposures: Sequence[ExposureLine],
    nothing: str,
) -> DutyLine:
    ruling = overridden or row
    return DutyLine(
        compartment=compartment,
        duty_class=ruling.duty_class if ruling else "normal",
        since_on=ruling.from_on if ruling else None,
        overridden=overridden,
        exposures=exposures,
        nothing=nothing,
    )


def _exposures(
    vehicle: Vehicle,
    month_on: date,
    named: Mapping[str, Criterion],
    in_force: Sequence[AsComputed],
) -> dict[str, list[ExposureLine]]:
    return {
        kind: [
            ExposureLine(
                name=named[item["criterion"]].name,
                exposure=item["exposure"],
                window_months=named[item["criterion"]].window_months,
                limit=item["limit"],
                declared=item["declared"],
                reached=item["reached"],
                source=named[item["criterion"]].source,
            )
            for item in items
        ]
        for kind, items in assess.exposures(vehicle, month_on, in_force).items()
    }


@reader
def history_lines(vehicle: Vehicle, hidden: set[Place]) -> Read[list[HistoryLine]]:
    """Services and fills, newest first; what a later row corrects is left out, and so is what
    went into compartments that the reader must not know of."""
    done, fills = _done(vehicle.pk), _fills(vehicle.pk)
    yield [done, fills]
    lines = [_done_line(row) for row in done]
    lines += [_fill_line(row, hidden=(vehicle.pk, row.compartment_id) in hidden) for row in fills]
    return sorted(lines, key=lambda line: line.on, reverse=True)


@prepared
def _done(vehicle_id: int) -> Rows:
    return standing_rows(vehicle_id).select_related("service")


@prepared
def _fills(vehicle_id: int) -> Rows:
    return Fill.objects.filter(vehicle=vehicle_id).select_related("compartment", "product")


def _done_line(row: ServiceDone) -> HistoryLine:
    return HistoryLine(
        on=row.done_on,
        what=row.service.name,
        total_km=row.total_km,
        detail=row.evidence,
        source=row.source,
        provisional=row.provisional,
    )


def _fill_line(row: Fill, *, hidden: bool) -> HistoryLine:
    litres = f", {row.quantity_ml / 1000:g} L" if row.quantity_ml else ""
    product = str(row.product) if row.product else row.origin
    if hidden:
        product = "not shown: you rate this vehicle in a blinded trial"
    extra = "" if row.full_change else ", not a full change"
    mixed = f", mixed with {row.mixed_with}" if row.mixed_with and not hidden else ""
    return HistoryLine(
        on=row.filled_on,
        what=f"{row.compartment.name}: fill",
        total_km=None,
        detail=f"{product}{litres}{extra}{mixed}",
        source=row.source,
        provisional=False,
    )


def odometer_chart(vehicle: Vehicle, rows: Sequence[DueRow], today: date) -> Odometer:
    """Readings of the meter it is read by, what is to come, and every limit of that meter, passed
    ones too, as its own instrument shows them."""
    meter = main_meter(vehicle.pk)
    zone, unit = ZoneInfo(vehicle.depot.zone), meter.unit if meter else "km"
    name = "remaining_h" if unit == "h" else "remaining_km"
    next_row = next((row for row in rows if (getattr(row, name) or 0) > 0 and row.p90), None)
    last = _last_reading(vehicle, meter, today) if meter else None
    return Odometer(
        vehicle=vehicle.fleet_number,
        unit=unit,
        readings=_points(meter, zone) if meter else [],
        fan=_fan(meter, next_row, today) if meter and last else [],
        limits=_limits(rows, name, last.total, unit) if last else [],
    )


def _limits(rows: Sequence[DueRow], name: str, total: float, unit: str) -> list[LimitLine]:
    """One for each total at which something falls due, with all that falls due there."""
    at: dict[float, list[DueRow]] = {}
    for row in rows:
        left = getattr(row, name)
        if left is not None:
            at.setdefault(round(in_own(total + left, unit)), []).append(row)
    return [
        LimitLine(
            services=", ".join(dict.fromkeys(row.service_name for row in same)),
            total=reached,
            passed=reached <= in_own(total, unit),
        )
        for reached, same in sorted(at.items())
    ]


def _points(meter: Meter, zone: ZoneInfo) -> list[ReadingPoint]:
    newest = Reading.objects.filter(meter=meter).order_by("-taken_at", "-id")[:CHART_READINGS]
    return [
        ReadingPoint(
            taken_at=reading.taken_at.astimezone(zone),
            shown=in_own(
                reading.meter_value if reading.total is None else reading.total, meter.unit
            ),
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
            *(in_own(float(line[at]), meter.unit) for line in (found.p10, found.p50, found.p90)),
        )
        for at in days
    ]
