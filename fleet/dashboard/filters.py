"""What the Due list is narrowed to, as it stands in the address."""

from dataclasses import dataclass, replace
from datetime import date
from typing import Any
from urllib.parse import urlencode

from django.http import QueryDict

from fleet.dashboard.words import MOST_PRESSING
from fleet.due.listing import AfterKey


@dataclass(frozen=True)
class DueFilters:
    depot: str = ""
    states: tuple[str, ...] = ()  # none chosen: every state
    service: str = ""  # slug
    search: str = ""  # fleet number, registration or service
    until: date | None = None
    faults: tuple[str, ...] = ()  # what could not be understood, in words

    @property
    def query(self) -> str:
        """The same filters as the query of an address."""
        pairs: list[tuple[str, str]] = [("depot", self.depot), ("service", self.service)]
        pairs += [("search", self.search), ("until", self.until.isoformat() if self.until else "")]
        pairs += [("state", state) for state in self.states]
        return urlencode([(name, value) for name, value in pairs if value])

    @property
    def narrowed(self) -> bool:
        return bool(self.states or self.service or self.search or self.until)

    def toggled(self, state: str) -> "DueFilters":
        """The same with one state more, or one less when it was chosen."""
        chosen = set(self.states) ^ {state}
        return replace(self, states=tuple(one for one in MOST_PRESSING if one in chosen))

    def for_listing(self) -> dict[str, Any]:
        return {
            "states": self.states or None,
            "service": self.service or None,
            "search": self.search,
            "until": self.until,
        }


def read_filters(query: QueryDict) -> DueFilters:
    faults: list[str] = []
    chosen = query.getlist("state")
    faults += [f"There is no state “{state}”." for state in chosen if state not in MOST_PRESSING]
    until = query.get("until", "").strip()
    day = _day(until)
    if until and day is None:
        faults.append(f"“{until[:40]}” is not a date: write it as 2026-03-31.")
    return DueFilters(
        depot=query.get("depot", ""),
        states=tuple(state for state in MOST_PRESSING if state in chosen),
        service=query.get("service", "").strip(),
        search=query.get("search", "").strip(),
        until=day,
        faults=tuple(faults),
    )


def read_after(text: str) -> AfterKey | None:
    """The key of the last row shown, as '2026-03-04.17.3'; anything else starts at the top."""
    parts = text.split(".")
    on = _day(parts[0])
    if len(parts) != 3 or on is None or not all(part.isdecimal() for part in parts[1:]):
        return None
    return on, int(parts[1][:18]), int(parts[2][:18])


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None
