"""Forecasts made before, on the page of their vehicle."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from fleet.dashboard.strip import Scale, Strip, strip
from fleet.dashboard.words import day
from fleet.due.models import Service
from fleet.hindcast.earlier import Earlier, earlier_forecasts
from fleet.today import today_at
from fleet.vehicles.models import Vehicle

BEFORE_D = 10  # shown before the oldest question: our choice
AHEAD_D = 120  # shown at most after today: our choice


@dataclass(frozen=True)
class ThenLine:
    service: str
    first: bool  # of its service
    then: Earlier
    outcome: str  # in words

    @property
    def fixed(self) -> bool:
        """A day by calendar, or one already past: no band that could be wrong."""
        return self.then.p10 is not None and self.then.p10 == self.then.p90

    def strip(self, scale: Scale, today: date) -> Strip:
        """The forecast on a scale of the past, with a mark where the limit was reached."""
        then = self.then
        drawn = strip(scale, today, then.p10, then.p50, then.p90)
        if then.reached_on is None:
            return drawn
        text = f"{drawn.text} Limit reached {day(then.reached_on)}."
        return replace(drawn, text=text, happened=scale.at(then.reached_on))


@dataclass(frozen=True)
class Counted:
    """How many of the forecasts with a band came true."""

    decided: int
    inside: int


def then_lines(vehicle: Vehicle, now: datetime) -> list[ThenLine]:
    """Every service's forecasts of 3, 6 and 12 months ago; none for one without limits."""
    today = today_at(vehicle.depot.zone, now)
    services = Service.objects.filter(vehicle_type=vehicle.vehicle_type_id).order_by("name")
    found = earlier_forecasts(vehicle, services, now)
    return [
        ThenLine(service.name, row == 0, then, outcome_words(then, today))
        for service in services
        for row, then in enumerate(found.get(service.pk, ()))
    ]


def counted(lines: Sequence[ThenLine]) -> Counted:
    decided = [
        line.then.inside for line in lines if not line.fixed and line.then.inside is not None
    ]
    return Counted(len(decided), sum(decided))


def then_scale(lines: Sequence[ThenLine], today: date) -> Scale:
    """One scale for all of them, from the oldest question to the last day of any band."""
    asked = [line.then.asked_on for line in lines]
    latest = [line.then.p90 for line in lines if line.then.p90 is not None]
    end_on = min(max([today, *latest]) + timedelta(days=BEFORE_D), today + timedelta(days=AHEAD_D))
    return Scale(min([today, *asked]) - timedelta(days=BEFORE_D), end_on)


def outcome_words(then: Earlier, today: date) -> str:
    """What came of a forecast, as a sentence; empty where no date was given."""
    if then.p50 is None:
        return ""
    if then.p10 == then.p90:
        return _of_fixed_day(then, then.p50)
    if then.reached_on is None:
        late = then.p90 is not None and then.p90 < today
        return "Not reached yet: later than likely." if late else "Not reached yet."
    return f"Limit reached {day(then.reached_on)}, {_against_band(then, then.reached_on)}."


def _of_fixed_day(then: Earlier, fixed_on: date) -> str:
    if fixed_on < then.asked_on:
        return "Overdue already then."
    if then.reached_on is None:
        return "By calendar; still to come."
    if then.reached_on < fixed_on:
        return f"By calendar; another limit was reached {day(then.reached_on)}, before it."
    return "By calendar; that day has come."


def _against_band(then: Earlier, reached_on: date) -> str:
    if then.p10 is not None and reached_on < then.p10:
        return "earlier than likely"
    if then.p90 is not None and reached_on > then.p90:
        return "later than likely"
    return "between earliest and latest likely"
