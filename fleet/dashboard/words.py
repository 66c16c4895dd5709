"""How states, limits, chances and figures read on a page."""

from collections.abc import Callable
from datetime import date, datetime

from fleet import today, units
from fleet.due.listing import PRESSING, STATES
from fleet.due.models import CheckFigure
from fleet.stores.read_off import read_off

STATE_WORDS = {
    "history_unknown": "History unknown",
    "overdue": "Overdue",
    "probably_overdue": "Probably overdue",
    "due_this_month": "Due this month",
    "later": "Later",
}
MOST_PRESSING = PRESSING
assert set(STATE_WORDS) == set(MOST_PRESSING) == set(STATES)  # noqa: S101 - one word for each

# the least probability for each wording: our choice
CHANCE_WORDS = (
    (0.95, "almost certainly"),
    (0.8, "very likely"),
    (0.6, "likely"),
    (0.4, "about even"),
    (0.0, "perhaps"),
)
CERTAIN = 0.995  # rounds to 100 %
MOST_COUNTED = 3_000  # rows of a state; beyond that the figure tells nobody more; our choice
# where a value fails whose limits all have the same open side: no lower, no upper
BEYOND = {frozenset({(False, True)}): "below", frozenset({(True, False)}): "above"}
THIN_SPACE = "\N{NARROW NO-BREAK SPACE}"


def chance(probability: float) -> str:
    """A probability in words with the figure beside it, as 'likely (64 %)'."""
    if probability >= CERTAIN:
        return "certain"
    words = next(text for least, text in CHANCE_WORDS if probability >= least)
    return f"{words} ({percent(probability)})"


def percent(share: float) -> str:
    return units.percent(share)


def plain(number: float) -> str:
    return units.plain(number)


def grouped(number: float) -> str:
    return f"{number:,.0f}"


def counted(number: int) -> str:
    """A count that ends one beyond the most that rows are counted to."""
    return f"over {grouped(MOST_COUNTED)}" if number > MOST_COUNTED else grouped(number)


def km(number: float) -> str:
    return f"{grouped(number)}{THIN_SPACE}km"


def hours(number: float) -> str:
    return f"{grouped(number)}{THIN_SPACE}h"


def day(on: date) -> str:
    """A date as '4 Mar 2026'."""
    return today.day(on)


def short_day(on: date) -> str:
    """A date near today as '4 Mar'."""
    return f"{on.day} {on:%b}"


def weekday(on: date) -> str:
    """A date as 'Wed 4 Mar 2026'."""
    return f"{on:%a} {day(on)}"


def short_weekday(on: date) -> str:
    """A date near today as 'Wed 4 Mar'."""
    return f"{on:%a} {short_day(on)}"


def span(first: date, last: date) -> str:
    """Two dates as '28 Sep to 19 Oct 2026', the year said once where it is the same."""
    begin = f"{first.day} {first:%b}" if first.year == last.year else day(first)
    return f"{begin} to {day(last)}"


def moment(at: datetime) -> str:
    return f"{day(at)}, {at:%H:%M}"


def ago(days: int) -> str:
    """How long ago a day was: 'today', '1 day ago', '12 days ago', '5 months ago'."""
    return today.ago(days)


def left_or_over(number: float | None, unit: str) -> str:
    """What remains to a limit, or how far beyond it: '2,300 km left', '120 km over'."""
    if number is None:
        return ""
    said = grouped(abs(number))
    return f"{said}{THIN_SPACE}{unit} {'left' if number >= 0 else 'over'}"


def torque_in(least_nm: float, most_nm: float | None, unit: str) -> str:
    """A torque or a range of it in a unit, as '39.3 N·m' or '26 to 33 lbf·ft'."""
    return f"{torque_ends(least_nm, most_nm, unit)}{THIN_SPACE}{unit}"


def torque_ends(least_nm: float, most_nm: float | None, unit: str) -> str:
    """The same without the unit."""
    ends = [units.torque_in(value, unit) for value in (least_nm, most_nm) if value]
    return " to ".join(f"{value:.1f}".removesuffix(".0") for value in ends)


def on_hand(amount: float, unit: str = "") -> str:
    """What stores hold as '24.5 L on hand', or that its record cannot be right."""
    amount = read_off(amount)
    if amount >= 0:
        return f"{amount:g}{THIN_SPACE * bool(unit)}{unit} on hand"
    more = f"{-amount:g}{THIN_SPACE * bool(unit)}{unit}"
    return f"none on hand by the record, {more} more used than received: look on the shelf"


def duration(hours_h: float) -> str:
    """A length of time as '40 min', '5.5 h' or '3.2 days'."""
    if hours_h < 1:
        return f"{hours_h * 60:.0f} min"
    return f"{hours_h:.1f} h" if hours_h < 48 else f"{hours_h / 24:.1f} days"


# how a finding came to be seen; who reported it is named beside it
FOUND_WORDS = {
    "driver": "seen in use",
    "mechanic": "seen in the workshop",
    "outside workshop": "seen at an outside workshop",
    "program": "seen in the records",
}
# whom an overdue service without an answer is put to
ASKED_WORDS = {
    "supervisor": "put to the supervisor",
    "deputy and manager": "now put to deputy and manager",
    "use or stand down": "use or stand down",
}

ORDER_SHAPES = {
    "drafted": "drafted",
    "released": "released",
    "started": "started",
    "waiting": "paused",
    "finished": "finished",
    "signed off": "signed-off",
    "cancelled": "rejected",
    "open": "released",
    "done": "signed-off",
    "part done": "started",
    "not done": "rejected",
}

OUTCOME_SHAPES = {
    "pass": "signed-off",
    "watch": "caution",
    "fail": "rejected",
    "not judged": "waiting",
}


def check_limits(figure: CheckFigure) -> str:
    """Which values pass and which are to be watched, in the figure's unit, as 'passes up to 2 %,
    to be watched up to 3 %, fails above'."""
    return limits_words(figure, figure.unit, float)


def limits_words(figure: CheckFigure, unit: str, shown: Callable[[float], float]) -> str:
    """The same in another unit, converted by what is given."""
    spans = {
        "passes": (figure.pass_from, figure.pass_to),
        "to be watched": (figure.watch_from, figure.watch_to),
    }
    parts = [
        f"{word} {_between(*(None if end is None else shown(end) for end in ends))} {unit}"
        for word, ends in spans.items()
        if ends != (None, None)
    ]
    sides = {(low is None, high is None) for low, high in spans.values()} - {(True, True)}
    beyond = BEYOND.get(frozenset(sides), "otherwise")
    return f"{', '.join(parts)}, fails {beyond}"


def _between(low: float | None, high: float | None) -> str:
    if high is None:
        return f"from {plain(low or 0.0)}"
    return f"up to {plain(high)}" if low is None else f"from {plain(low)} to {plain(high)}"
