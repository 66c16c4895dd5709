"""What the Due list is narrowed to and in which order it stands, as the address says it."""

from calendar import monthrange
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from urllib.parse import urlencode

from django.http import QueryDict

from fleet.dashboard.whole_numbers import whole_number
from fleet.dashboard.words import MOST_PRESSING
from fleet.due.listing import AfterKey, At, DueFilter
from fleet.due.ordering import GROUPS, SORTS, Order

DAYS_AHEAD = ("7", "30")
MONTHS_OFFERED = 12
FALLING = frozenset({"life"})  # columns that one looks at from the top: the first press sorts so


@dataclass(frozen=True)
class DueFilters:
    depot: str = ""
    states: tuple[str, ...] = ()  # none chosen: every state
    service: str = ""  # slug
    search: str = ""  # fleet number, registration or service
    period: str = ""  # so many days ahead, or a month as 2026-03
    since: date | None = None
    until: date | None = None
    order: Order = Order()
    all_rounds: bool = False  # each in a line of its own
    faults: tuple[str, ...] = ()  # what could not be understood, in words

    @property
    def query(self) -> str:
        """The same filters as the query of an address."""
        pairs = [("depot", self.depot), ("service", self.service), ("search", self.search)]
        pairs += [("period", self.period), ("from", _iso(self.since)), ("until", _iso(self.until))]
        pairs += [("sort", self.sort), ("group", self.order.group)]
        pairs += [("state", state) for state in self.states]
        pairs += [("rounds", "all" if self.all_rounds else "")]
        return urlencode([(name, value) for name, value in pairs if value])

    @property
    def sort(self) -> str:
        """The order of the rows as the address names it; nothing: soonest first."""
        named = f"{'-' * self.order.descending}{self.order.sort}"
        return "" if named == "due" else named

    @property
    def narrowed(self) -> bool:
        return bool(
            self.states or self.service or self.search or self.period or self.since or self.until
        )

    @property
    def folds(self) -> bool:
        """Whether rounds stand in one line for each depot and service; not where they are what is
        looked for."""
        return not (self.all_rounds or self.service or self.search)

    def toggled(self, state: str) -> "DueFilters":
        """The same with one state more, or one less when it was chosen."""
        chosen = set(self.states) ^ {state}
        return replace(self, states=tuple(one for one in MOST_PRESSING if one in chosen))

    def sorted_by(self, column: str) -> "DueFilters":
        """The same by another column; by the same column again, the other way round."""
        again = self.order.sort == column
        falling = not self.order.descending if again else column in FALLING
        return replace(self, order=replace(self.order, sort=column, descending=falling))

    def days(self, today: date) -> tuple[date | None, date | None]:
        """First and last expected day that is listed; without a first, what is overdue is too."""
        since, until = _period(self.period, today)
        return self.since or since, self.until or until

    def wanted(self, depots: At, today: date) -> DueFilter:
        """What is asked of the listing."""
        since, until = self.days(today)
        return DueFilter(
            depots=depots,
            states=self.states or None,
            since=since,
            until=until,
            service=self.service or None,
            search=self.search,
        )


def read_filters(query: QueryDict) -> DueFilters:
    faults: list[str] = []
    chosen = query.getlist("state")
    faults += [f"There is no state “{state}”." for state in chosen if state not in MOST_PRESSING]
    period = query.get("period", "").strip()
    if period and period not in DAYS_AHEAD and _month(period) is None:
        faults.append(f"“{period[:40]}” is not a period: write a month as 2026-03.")
        period = ""
    return DueFilters(
        depot=query.get("depot", ""),
        states=tuple(state for state in MOST_PRESSING if state in chosen),
        service=query.get("service", "").strip(),
        search=query.get("search", "").strip(),
        period=period,
        since=_read_day(query.get("from", "").strip(), faults),
        until=_read_day(query.get("until", "").strip(), faults),
        order=_read_order(query.get("sort", ""), query.get("group", "")),
        all_rounds=query.get("rounds") == "all",
        faults=tuple(faults),
    )


def months_from(today: date) -> Iterator[date]:
    """The first days of this month and of those after it, as far as they are offered."""
    month = today.replace(day=1)
    for _ in range(MONTHS_OFFERED):
        yield month
        month = (month + timedelta(days=32)).replace(day=1)


def read_after(text: str) -> AfterKey | None:
    """The key of the last row shown, as '2026-03-04.17.3'; anything else starts at the top."""
    parts = text.split(".")
    on = typed_day(parts[0])
    if len(parts) != 3 or on is None or not all(part.isdecimal() for part in parts[1:]):
        return None
    return on, whole_number(parts[1]), whole_number(parts[2])


def read_skip(text: str) -> int:
    """How many rows were shown before; anything else starts at the top."""
    return whole_number(text)


def _read_order(sort: str, group: str) -> Order:
    column = sort.removeprefix("-")
    known = column in SORTS
    return Order(
        sort=column if known else "due",
        descending=known and sort.startswith("-"),
        group=group if group in GROUPS else "",
    )


def _period(period: str, today: date) -> tuple[date | None, date | None]:
    if period in DAYS_AHEAD:
        return None, today + timedelta(days=int(period))
    first = _month(period)
    if first is None:
        return None, None
    return first, first.replace(day=monthrange(first.year, first.month)[1])


def _month(text: str) -> date | None:
    return typed_day(f"{text}-01") if len(text) == len("2026-03") else None


def _read_day(text: str, faults: list[str]) -> date | None:
    found = typed_day(text)
    if text and found is None:
        faults.append(f"“{text[:40]}” is not a date: write it as 2026-03-31.")
    return found


def _iso(on: date | None) -> str:
    return on.isoformat() if on else ""


def typed_day(text: str) -> date | None:
    """A day of an address or a form; None where it is none."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None
