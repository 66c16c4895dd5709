"""How the overview words what the stages read."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from django.urls import reverse
from django.utils.text import Truncator

from fleet.dashboard.frame import Scope
from fleet.dashboard.orders.lines import NO_DAY
from fleet.dashboard.words import day
from fleet.due.models import DueMove
from fleet.due.moves import FAR_D
from fleet.due.periods import Falling, Horizons
from fleet.overview import needs, since
from fleet.overview.needs import Need
from fleet.overview.since import Event
from fleet.readings.models import ReadingDecision
from fleet.workorders.models import Finding

MOST_NEEDS = 8
DEPOTS_OPEN = 3  # the rest is folded
THINGS_NAMED = 4  # in one sentence
MOST_SENTENCES = 12
WORDS_SHOWN = 70  # characters of a finding

COMING = ("due_this_month", "later")


@dataclass(frozen=True)
class Figure:
    """A number, and the query of the page Due that lists exactly its rows."""

    count: int
    query: str
    words: str  # its column


@dataclass(frozen=True)
class DepotLine:
    name: str
    figures: Sequence[Figure]


def figures(falling: Falling, horizons: Horizons, depot: str) -> list[Figure]:
    """A depot's services by period; depot '' is all of them together."""
    own = [("depot", depot)] if depot else []

    def figure(count: int, words: str, states: Iterable[str], until: date | None) -> Figure:
        last = [("until", until.isoformat())] if until else []
        return Figure(count, urlencode([*own, *last, *(("state", one) for one in states)]), words)

    return [
        figure(falling.overdue, "Overdue", ["overdue"], None),
        figure(falling.probably_overdue, "Probably", ["probably_overdue"], None),
        figure(falling.soon, "7 days", COMING, horizons.soon),
        figure(falling.ahead, "30 days", COMING, horizons.ahead),
        figure(falling.this_month, "This month", ["due_this_month"], None),
        figure(falling.next_month, "Next month", ["later"], horizons.next_month_end),
    ]


def depot_lines(
    scope: Scope, by_depot: Mapping[int, Falling], horizons: Horizons
) -> list[DepotLine]:
    """The depots chosen, the worst first."""
    rows = [(depot, by_depot.get(depot.pk, Falling())) for depot in scope.chosen]
    rows.sort(key=lambda row: (*(-count for count in row[1].figures[:4]), row[0].name))
    return [
        DepotLine(depot.name, figures(falling, horizons, depot.slug)) for depot, falling in rows
    ]


# --- needs you -----------------------------------------------------------------------------
@dataclass(frozen=True)
class NeedWords:
    one: str
    many: str
    waits: str  # what waits on it
    page: str
    query: str = ""
    anchor: str = ""
    first: str = "the oldest since"
    alone: str = "since"  # where there is one only
    answer: str = ""  # opens what answers it in place


KIND = needs.Kind
NEED_WORDS = {
    KIND.DO_NOT_USE: NeedWords(
        "vehicle must not be used",
        "vehicles must not be used",
        "Cleared only by somebody else than who set it.",
        "findings",
        anchor="#do-not-use",
        answer="Clear here",
    ),
    KIND.BEFORE_USE: NeedWords(
        "finding to put right before use",
        "findings to put right before use",
        "No order follows until it is followed up or closed.",
        "findings",
        query=urlencode([("severity", Finding.Severity.BEFORE_USE)]),
        anchor="#finding-rows",
        answer="Order or close here",
    ),
    KIND.FAILED: NeedWords(
        "failed check without an answer",
        "failed checks without an answer",
        "The change that it calls for is due now, and no order has it.",
        "findings",
        anchor="#failed",
        answer="Put the changes on orders here",
    ),
    KIND.SOON: NeedWords(
        "finding to follow up soon",
        "findings to follow up soon",
        "Each asks for an order, and is open until somebody closes it.",
        "findings",
        query=urlencode([("severity", Finding.Severity.SOON)]),
        anchor="#finding-rows",
        answer="Order or close here",
    ),
    KIND.DECIDE: NeedWords(
        "decision to take",
        "decisions to take",
        "An overdue service without an answer goes a step further after five working days; that "
        "its order is released is no answer.",
        "work-orders",
        query=urlencode([("decide", "open")]),
        anchor="#decide-head",
        answer="Decide here",
    ),
    KIND.SHORT: NeedWords(
        "item to order today",
        "items to order today",
        "Ordered later, stock runs out before the services that need it.",
        "consumables",
        first="the first by",
        alone="by",
        answer="Say that they are ordered",
    ),
    KIND.HELD: NeedWords(
        "reading held",
        "readings held",
        "Until it is settled, due dates rest on older readings.",
        "readings",
        anchor="#held-head",
        answer="Settle here",
    ),
    KIND.NO_DAY: NeedWords(
        "released order without a day",
        "released orders without a day",
        "On no mechanic's list until it has a day.",
        "work-orders",
        query=urlencode([("day", NO_DAY), ("state", "released")]),
        answer="Plan here",
    ),
    KIND.UNFIT: NeedWords(
        "visit does not fit its day any more",
        "visits do not fit their days any more",
        "Its day stands until somebody moves it; Workshop days says why and which day holds it.",
        "workshop-days",
        first="the first on",
        alone="on",
    ),
    KIND.DEFERRAL: NeedWords(
        "deferral ends",
        "deferrals end",
        "Plan the service, or defer it again with a reason.",
        "due",
        query=urlencode([("state", "overdue"), ("state", "probably_overdue")]),
        first="the first on",
        alone="on",
        answer="Order or defer again here",
    ),
    KIND.UNREAD: NeedWords(
        f"odometer not read for {needs.UNREAD_D} days",
        f"odometers not read for {needs.UNREAD_D} days",
        "Due dates grow less certain with every day.",
        "readings",
        first="the longest since",
        alone="last on",
        answer="Enter readings here",
    ),
    KIND.UNKNOWN: NeedWords(
        "service without a history",
        "services without a history",
        "No due date until somebody enters when it was last done.",
        "baselines",
    ),
}
UNKNOWN_SEEN = replace(NEED_WORDS[KIND.UNKNOWN], page="due", query="state=history_unknown")
assert set(NEED_WORDS) == set(KIND)  # noqa: S101 - words for each


@dataclass(frozen=True)
class NeedLine:
    count: int
    words: str
    waits: str
    first: str  # before the day of the oldest
    first_on: date | None
    address: str
    answer: str
    in_place: str  # address of the form that answers it here; empty: it is answered elsewhere


def need_lines(
    found: Sequence[Need], scope: Scope, *, enters_history: bool, here: Collection[needs.Kind]
) -> list[NeedLine]:
    """Each with a link to the page on which it is answered, or is at least seen; those of some
    kinds with a form in place."""
    own = {} if enters_history else {KIND.UNKNOWN: UNKNOWN_SEEN}
    return [
        _need_line(one, own.get(one.kind, NEED_WORDS[one.kind]), scope, in_place=one.kind in here)
        for one in found
    ]


def _need_line(need: Need, said: NeedWords, scope: Scope, *, in_place: bool) -> NeedLine:
    depot = need.depot or scope.depot
    own = urlencode({"depot": depot}) if depot else ""
    query = "&".join(filter(None, (own, said.query)))
    words = said.one if need.count == 1 else said.many
    names = {one.slug: one.name for one in scope.chosen} if len(scope.chosen) > 1 else {}
    return NeedLine(
        count=need.count,
        words=f"{words} at {names[need.depot]}" if need.depot in names else words,
        waits=said.waits,
        first=said.alone if need.count == 1 else said.first,
        first_on=local_day(need.oldest_at, scope),
        address=f"{reverse(said.page)}{'?' if query else ''}{query}{said.anchor}",
        answer=said.answer,
        in_place=_answer_address(need.kind, own) if in_place else "",
    )


def _answer_address(kind: needs.Kind, query: str) -> str:
    where = reverse("overview-need", args=[kind.replace(" ", "-")])
    return f"{where}{'?' if query else ''}{query}"


def local_day(at: datetime | None, scope: Scope) -> date | None:
    """The day of an instant by the clock of the depots chosen; a day stays that day."""
    if at is None:
        return None
    if at.astimezone(UTC).time() == time():
        return at.astimezone(UTC).date()
    zone = scope.clock if isinstance(scope.clock, str) else scope.clock.zone
    return at.astimezone(ZoneInfo(zone)).date()


# --- since ---------------------------------------------------------------------------------
SINCE_WORDS = {
    since.Kind.OVERDUE: ("service passed its limit", "services passed their limits"),
    since.Kind.MOVED: (
        f"due date moved by more than {FAR_D} days",
        f"due dates moved by more than {FAR_D} days",
    ),
    since.Kind.FINISHED: ("order was finished", "orders were finished"),
    since.Kind.FAILED: ("check failed", "checks failed"),
    since.Kind.FINDING: ("finding", "findings"),
    since.Kind.SETTLED: ("reading was settled", "readings were settled"),
}
assert set(SINCE_WORDS) == set(since.Kind)  # noqa: S101 - words for each


@dataclass(frozen=True)
class Happened:
    """One dated sentence: how many of what, the first few by name."""

    on: date
    count: int
    words: str
    named: Sequence[Event]
    more: int
    at_least: bool  # there may be more than were read
    query: str  # of the page that lists them all


def since_words(kind: since.Kind, count: int) -> str:
    return SINCE_WORDS[kind][count != 1]


# what became of a reading that a person settled
ACTION_WORDS = {
    "accept": "accepted",
    "accept suggestion": "accepted as suggested",
    "other value": "another value taken",
    "reject": "rejected",
    "meter replaced": "meter replaced",
}
assert set(ACTION_WORDS) == set(ReadingDecision.Action.values)  # noqa: S101 - words for each


# why a due date moved: where it came nearer, and where it moved away
CAUSE_WORDS = {
    DueMove.Cause.RECORD: ("a record was corrected", "a record was corrected"),
    DueMove.Cause.DUTY: ("its duty class is another", "its duty class is another"),
    DueMove.Cause.LIMIT: ("its limits changed", "its limits changed"),
    DueMove.Cause.CALL: ("it was called for", "it is called for no more"),
    DueMove.Cause.USAGE: ("the vehicle runs more", "the vehicle runs less"),
    DueMove.Cause.SEASON: (
        "no newer reading; more is driven in the coming season",
        "no newer reading; less is driven in the coming season",
    ),
    DueMove.Cause.JUDGED: (
        "no newer reading; earlier ones were judged anew",
        "no newer reading; earlier ones were judged anew",
    ),
    DueMove.Cause.PARTICULARS: ("the vehicle's data changed", "the vehicle's data changed"),
}
assert set(CAUSE_WORDS) == set(DueMove.Cause)  # noqa: S101 - words for each


def happened(events: Sequence[Event], scope: Scope, from_at: datetime) -> list[Happened]:
    """Events since an instant, those of a day and kind in one sentence each, the newest day
    first."""
    told = in_words(events, scope)
    groups: dict[tuple[date, since.Kind], list[Event]] = defaultdict(list)
    for event in told:
        groups[local_day(event.at, scope) or date.min, event.kind].append(event)
    order = {kind: at for at, kind in enumerate(since.Kind)}
    keys = sorted(groups, key=lambda key: (-key[0].toordinal(), order[key[1]]))
    return [_sentence(on, kind, groups[on, kind], scope, from_at) for on, kind in keys]


def in_words(events: Sequence[Event], scope: Scope) -> list[Event]:
    """Events with what happened as it is told."""
    return [_in_words(one, scope) for one in events]


def _in_words(event: Event, scope: Scope) -> Event:
    if event.kind is since.Kind.SETTLED:
        by = f"by {event.by}" if event.by else ""
        return replace(event, what=ACTION_WORDS[event.what], by=by)
    if event.kind is since.Kind.FINDING:
        said = Truncator(event.what.rstrip().removesuffix(".")).chars(WORDS_SHOWN)
        found_on = local_day(event.found_at, scope)
        earlier = found_on is not None and found_on != local_day(event.at, scope)
        by = f"(found on {day(found_on)})" if found_on and earlier else ""
        return replace(event, what=f"“{said}”", by=by)
    if event.from_on is None or event.to_on is None:
        return event
    by_d = (event.to_on - event.from_on).days
    moved = f"{abs(by_d)} days {'later' if by_d > 0 else 'earlier'}"
    why = CAUSE_WORDS[DueMove.Cause(event.by)][by_d > 0]
    what = f"{event.what} from {day(event.from_on)} to {day(event.to_on)}, {moved}"
    return replace(event, what=what, by=f"({why})")


def _sentence(
    on: date, kind: since.Kind, events: Sequence[Event], scope: Scope, from_at: datetime
) -> Happened:
    words = since_words(kind, len(events))
    more = max(0, len(events) - THINGS_NAMED)
    at_least = len(events) >= since.MOST_OF_A_KIND
    own = [("depot", scope.depot)] if scope.depot else []
    query = urlencode([*own, ("kind", kind), ("on", on), ("since", from_at.isoformat())])
    return Happened(on, len(events), words, events[:THINGS_NAMED], more, at_least, query)
