"""The interval strip: when a service falls due, drawn on the time scale of its page."""

from dataclasses import dataclass
from datetime import date, timedelta

from fleet.dashboard.words import day

BEFORE_D = 75  # shown before today: our choice
AHEAD_D = 240  # shown after today: our choice
BEYOND_UNTIL_D = 60  # shown after the last day asked for: our choice
LEAST_BAND = 0.6  # percent of the width: a certain date stays visible
LABEL_ROOM = 10.0  # percent of the width that a month's name needs


@dataclass(frozen=True)
class Scale:
    """A stretch of time as wide as a strip."""

    start_on: date
    end_on: date

    def at(self, on: date) -> float:
        """Place of a day, 0 to 100 percent of the width; days outside lie on the edge."""
        share = (on - self.start_on).days / (self.end_on - self.start_on).days
        return round(100 * min(max(share, 0.0), 1.0), 2)

    def months(self) -> list["MonthMark"]:
        """The firsts of months inside, named as far as there is room."""
        marks: list[MonthMark] = []
        named_at = -LABEL_ROOM
        on = _next_month(self.start_on)
        while on < self.end_on:
            place = self.at(on)
            named = place - named_at >= LABEL_ROOM and place <= 100 - LABEL_ROOM
            named_at = place if named else named_at
            marks.append(MonthMark(place, _month_name(on) if named else ""))
            on = _next_month(on)
        return marks


@dataclass(frozen=True)
class MonthMark:
    at: float  # percent of the width
    name: str  # empty where there is no room


@dataclass(frozen=True)
class Strip:
    """Geometry in percent of the width, and the same in words."""

    today: float
    band_at: float | None
    band_width: float | None
    tick: float | None
    earlier: bool  # the band begins before the scale
    later: bool  # the band ends after the scale
    text: str
    happened: float | None = None


def page_scale(today: date, until: date | None = None) -> Scale:
    """One scale for all strips of a page, so that they can be compared."""
    end_on = today + timedelta(days=AHEAD_D)
    if until is not None:
        end_on = min(end_on, max(until, today) + timedelta(days=BEYOND_UNTIL_D))
    return Scale(today - timedelta(days=BEFORE_D), end_on)


def strip(
    scale: Scale, today: date, earliest: date | None, expected: date | None, latest: date | None
) -> Strip:
    """Draw one interval; without dates only today is drawn."""
    said = describe(earliest, expected, latest)
    if expected is None:
        return Strip(scale.at(today), None, None, None, False, False, said)
    first, last = earliest or expected, latest or expected
    begin, end = scale.at(first), scale.at(last)
    inside = scale.start_on <= expected <= scale.end_on
    width = round(max(end - begin, LEAST_BAND), 2)
    return Strip(
        today=scale.at(today),
        band_at=min(begin, 100 - width),
        band_width=width,
        tick=scale.at(expected) if inside else None,
        earlier=first < scale.start_on,
        later=last > scale.end_on,
        text=said,
    )


def describe(earliest: date | None, expected: date | None, latest: date | None) -> str:
    if expected is None:
        return "No date can be given."
    if earliest is None or latest is None or earliest == latest:
        return f"Due {day(expected)}."
    return (
        f"Earliest likely {day(earliest)}, expected {day(expected)}, latest likely {day(latest)}."
    )


def _next_month(on: date) -> date:
    return (on.replace(day=1) + timedelta(days=32)).replace(day=1)


def _month_name(on: date) -> str:
    return f"{on:%b %Y}" if on.month == 1 else f"{on:%b}"
