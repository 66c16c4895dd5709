"""How much a vehicle runs, in words, for whoever asks why a service is due when it is."""

from calendar import month_name
from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo

from fleet.due.models import BindingLimit, DueDate
from fleet.readings.listing import last_accepted
from fleet.readings.main_meter import main_meter
from fleet.readings.reasons import on_meter
from fleet.today import ago, day
from fleet.usage.measure import running_again_since, standing_since
from fleet.usage.models import UsageState
from fleet.usage.seasons import factor_on
from fleet.vehicles.models import Vehicle
from fleet.vehicles.own_unit import figures, in_own

CERTAIN = 0.995  # rounds to 100 %


@dataclass(frozen=True)
class Known:
    """What is known of how much a vehicle runs."""

    unit: str
    state: UsageState
    read_on: date  # of the last accepted reading
    shown: str  # what the meter itself shows, where that is not the total


def known_of(vehicle: Vehicle) -> Known | None:
    """Of its main meter; None before the first accepted reading."""
    meter = main_meter(vehicle.pk)
    reading = last_accepted(meter)
    state = UsageState.objects.filter(meter=meter).select_related("season").first()
    if meter is None or reading is None or state is None:
        return None
    read_on = reading.taken_at.astimezone(ZoneInfo(vehicle.depot.zone)).date()
    return Known(meter.unit, state, read_on, on_meter(reading, meter.unit))


def usage_words(vehicle: Vehicle, known: Known | None, today: date) -> str:
    """The last reading, and what is run a day: now, with its season, and in the long run."""
    if known is None:
        return "No accepted reading yet: usage is not known."
    state, unit = known.state, known.unit
    season = factor_on(state.season, today)
    per_day = state.rate_km_per_day * max(state.mu + state.u, 0.05 * state.mu) * season
    usual = state.rate_km_per_day * state.mu
    month = f" ({month_name[today.month]} counts {season:.2f} here)" if season != 1 else ""
    shown = f" {known.shown[:1].upper()}{known.shown[1:]}." if known.shown else ""
    note = " It rests on a meter offset that nobody has confirmed." if state.provisional else ""
    return (
        f"Last accepted reading {figures(state.last_km, unit)} on {day(known.read_on)}, "
        f"{ago((today - known.read_on).days)}.{shown} Running about {figures(per_day, unit)} a "
        f"day now{month}, {in_own(usual, unit):,.0f} in the long run, from {state.readings} "
        f"readings.{note}{_standing(state.meter_id, vehicle.depot.zone)}"
    )


def _standing(meter_id: int, zone: str) -> str:
    since = standing_since(meter_id)
    if since is None:
        return ""
    since_on, again = since.astimezone(ZoneInfo(zone)).date(), running_again_since(meter_id)
    if again is not None:
        again_on = again.astimezone(ZoneInfo(zone)).date()
        return f" It stood from {day(since_on)} and is running again since {day(again_on)}."
    return f" It has been standing since {day(since_on)}; dates assume it may stand on."


def sum_words(row: DueDate, unit: str, known: Known | None, today: date) -> str:
    """The sum that a sceptic does: what is left, by what is expected a day, from the reading on."""
    by_distance = row.binding_limit == BindingLimit.KM
    if not by_distance or (row.binding_probability or 0) < CERTAIN or known is None:
        return ""
    if row.p50 is None or row.p50 < today or row.remaining_km is None or row.remaining_km <= 0:
        return ""
    if (days := (row.p50 - known.read_on).days) <= 0:
        return ""
    per_day = figures(row.remaining_km / days, unit)
    return f" At about {per_day} a day from that reading on, it is used up on {day(row.p50)}."
