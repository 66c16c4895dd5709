"""How a plan reads on a page: reasons, loads, costs, what publishing would do."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from fleet.calc.labour import Labour
from fleet.dashboard.words import day, grouped
from fleet.stores import money
from fleet.units import percent
from fleet.visits.board import LATE_SHOWN, Board, Day, TooFull
from fleet.visits.early import early
from fleet.visits.minutes import Minutes
from fleet.visits.models import Plan, PlannedService
from fleet.visits.naive import EACH, PLANNED, TOGETHER
from fleet.visits.plan import KEEPING, READING, WORKING
from fleet.visits.publish import Outcome
from fleet.visits.replan import NOW_S
from fleet.visits.task import ANY_TO_SPARE
from fleet.visits.unplanned import LOOK_BACK_D
from fleet.workorders.models import WorkOrder

# what stands in the way most often from the day that would cost least to the one planned
NEARER = "on days nearer to that, most often"
REASONS = {
    "on time": "on the day that costs least",
    "closed": "the workshop is closed on the day that would cost least",
    "vehicle away": f"{NEARER} the vehicle is away",
    "vehicles to spare": f"{NEARER} no more vehicles can be spared",
    "skill": f"{NEARER} whoever has the skill has no time left",
    "bay": f"{NEARER} no bay that carries it has time left",
    "part": "a part comes later",
    "time": f"{NEARER} no minutes are left",
    "does not fit whole": f"{NEARER} minutes are left, but not in one piece",
    "cheaper on a shared visit": "together with the others it costs less",
    "left out": "after this plan costs less",
    "set by hand": "somebody chose the day",
    "its day stands": "the day stands: an order has it, it is locked, or it is near",
}
PRICES_SHOWN = 5
TO_SPARE = " to spare"


@dataclass(frozen=True)
class Load:
    """How full a day is, in figures of a bar 100 wide, and in words."""

    used: float
    may: float
    words: str
    over: bool  # more than is to be planned


@dataclass(frozen=True)
class Price:
    """About what one more hour, or vehicle to spare, would save."""

    what: str
    on: date
    saves: str


def reason(row: PlannedService) -> str:
    """Why a service, or other work, is on its day."""
    work = row.work
    if work is not None and work.fixed_on:
        return "the day is fixed"
    if work is not None and not work.latest_on and row.visit_id is None:
        return "waits for a visit to join"
    said = REASONS.get(row.reason, row.reason)
    if row.detail:
        said = f"{said}: {row.detail}"
    before = REASONS.get(row.planned_because, row.planned_because)
    return f"{said}; a plan chose it: {before}" if before else said


def why(row: PlannedService, visit_minor: int) -> str:
    """The same, with what it costs that it is done early, and what a visit costs that is saved."""
    return "; ".join(filter(None, (reason(row), early(row, visit_minor))))


def wanted(row: PlannedService) -> str:
    """The day that would cost least; of other work, what was said of its day."""
    if row.work is None:
        return day(row.wanted_on)
    if row.work.fixed_on:
        return f"fixed: {day(row.work.fixed_on)}"
    return f"by {day(row.work.latest_on)}" if row.work.latest_on else "any day"


def load(one: Day) -> Load:
    """The load of a day against who is there."""
    if not one.present_min:
        said = "nobody there" if one.open else f"closed{f': {one.why}' if one.why else ''}"
        return Load(100.0 * bool(one.load_min), 0.0, said, bool(one.load_min))
    widest = max(one.present_min, one.load_min)
    left = one.may_min - one.load_min
    rest = (
        f"{grouped(left)} free"
        if left >= 0
        else f"{grouped(-left)} of the minutes kept for unplanned work"
        if one.load_min <= one.present_min
        else f"{grouped(one.load_min - one.present_min)} more than there are"
    )
    said = f"{grouped(one.load_min)} of {grouped(one.present_min)} min, {rest}"
    return Load(100 * one.load_min / widest, 100 * one.may_min / widest, said, left < 0)


def unplanned(plan: Plan) -> str:
    """What unplanned work took of the minutes lately; empty where too little is known."""
    told = plan.unplanned
    if not told:
        return ""
    return (
        f"In the {LOOK_BACK_D // 7} weeks before this plan, work that was drafted on the day it "
        f"began took {percent(told['share'])} ({grouped(told['orders'])} of {grouped(told['of'])} "
        "orders)."
    )


def too_full(one: TooFull) -> str:
    """That one mechanic has more on a day than they have time for."""
    return (
        f"{one.name} is planned for {grouped(one.planned_min)} of {grouped(one.present_min)} min: "
        "give a visit to another, or another day"
    )


def to_move(one: Day) -> str:
    """What to do with visits that a day cannot hold; empty where there are none."""
    count = sum(block.can_move for block in one.nowhere)
    why = "cannot be shared out whole" if one.open else "closed"
    return f"{why}: move {'it' if count == 1 else 'them'} to another day" if count else ""


def days_late(late_d: float) -> str:
    """An expected lateness in words; empty below half a day."""
    if late_d < 0.5:
        return ""
    count = round(late_d)
    return f"{grouped(count)} day{'s' * (count != 1)} late"


def prices(plan: Plan, first: date) -> list[Price]:
    """About what an hour more would save, dearest first, on days that are still to come."""
    found = [
        Price(
            _one_more(row["what"]), date.fromisoformat(row["on"]), money.words(row["minor_per_h"])
        )
        for row in plan.prices
        if date.fromisoformat(row["on"]) >= first
    ]
    return found[:PRICES_SHOWN]


WAYS = {
    PLANNED: "This plan",
    EACH: "Each service on its expected day, or the first after it with minutes left",
    TOGETHER: "A vehicle comes when its first service is due, and all due within 30 days is done",
}


@dataclass(frozen=True)
class Compared:
    """What one way of planning comes to, in words."""

    way: str
    cost: str
    visits: int
    left_out: int
    late_d: int
    cannot: str  # why it could not be carried out; empty where it might be


def compared(plan: Plan) -> list[Compared]:
    """The plan beside usual ways of planning, as it was made."""
    return [
        Compared(
            WAYS.get(row["way"], row["way"]),
            money.words(row["cost_minor"]),
            row["visits"],
            row["left_out"],
            round(row["late_d"]),
            _too_cheap(plan) if row["cost_minor"] + 1 < plan.bound_minor else "",
        )
        for row in plan.compared
    ]


def _too_cheap(plan: Plan) -> str:
    """What costs less than is possible breaks a limit: it is not held to every one."""
    least = money.words(plan.bound_minor)
    return f"cannot be done so: nothing that keeps all limits costs less than {least}"


def _one_more(what: str) -> str:
    if what.endswith(TO_SPARE):
        one = "vehicle" if what == ANY_TO_SPARE else what.removesuffix(TO_SPARE)
        return f"one {one} more{TO_SPARE}"
    return f"an hour more: {what}"


def difference(cost_minor: int | None) -> str:
    """What a move costs against the day a visit has."""
    if cost_minor is None:
        return "cannot be compared, as the day it has is past"
    if cost_minor == 0:
        return "costs the same"
    more = "more" if cost_minor > 0 else "less"
    return f"costs {money.words(abs(cost_minor))} {more}"


def a_day_late(board: Board) -> str:
    """What lateness costs, said with what it means."""
    shop = board.workshop
    change, check = money.words(shop.late_change_minor), money.words(shop.late_check_minor)
    return (
        f"A day late counts {change} for a change and {check} for a check, a visit "
        f"{money.words(shop.visit_minor)}, paid life thrown away its share of the price."
    )


def of_these(board: Board) -> str:
    """How the table of what goes late and the days at the top of the page come together."""
    listed, all_d = round(sum(one.late_d for one in board.late)), round(board.late_d)
    all_days = f"{grouped(all_d)} day{'s' * (all_d != 1)}"
    said = f"Added up before rounding: {grouped(listed)} of the {all_days} at the top of the page."
    if listed >= all_d:
        return said
    others = " or are not among the latest" * (len(board.late) == LATE_SHOWN)
    return f"{said} The rest is of services expected less than half a day late each{others}."


@dataclass(frozen=True)
class WillDo:
    """What publishing would do to one order."""

    outcome: Outcome

    @property
    def words(self) -> str:
        if self.outcome.refusal is not None:
            return str(self.outcome.refusal)
        done = "; ".join(self.outcome.done) or "is so already"
        return "; ".join([done, *self.outcome.besides])

    @property
    def unfit(self) -> str:
        """Why the day does not hold the visit."""
        return self.outcome.unfit

    @property
    def is_so(self) -> bool:
        """Whether there is nothing to do and nothing to say."""
        return self.kind == "same" and not self.outcome.besides and not self.unfit

    @property
    def kind(self) -> str:
        if self.outcome.refusal is not None:
            return "refused"
        return "change" if self.outcome.done else "same"


def told(outcomes: Sequence[Outcome]) -> str:
    """What publishing did, in one sentence."""
    changed = sum(bool(one.done) for one in outcomes)
    refused = sum(one.refusal is not None for one in outcomes)
    if not outcomes:
        return "No visit was chosen: nothing was published."
    if not changed and not refused:
        return "Everything was published already: nothing was changed."
    said = f"Published: {changed} order{'s' * (changed != 1)} changed or drafted."
    return said + (f" {refused} refused, as said below." if refused else "")


def besides(outcomes: Sequence[Outcome]) -> list[str]:
    """What to know of orders that were published, each sentence once with its orders."""
    told: dict[str, list[str]] = {}
    for one in outcomes:
        for sentence in (*one.besides, one.unfit.removesuffix(".")) if one.done else ():
            told.setdefault(sentence, []).append(one.number)
    return [f"{', '.join(numbers)}: {sentence}." for sentence, numbers in told.items() if sentence]


@dataclass(frozen=True)
class Named:
    """A released order that is moved only when it is named."""

    pk: int
    number: str
    vehicle: str
    on: date  # of its visit
    chosen: bool


def released(
    seen: Sequence[WorkOrder], outcomes: Sequence[Outcome], named: set[int]
) -> list[Named]:
    """Released orders without a day, with their vehicles and whether they were named."""
    of = {one.number: one for one in outcomes}
    return [
        Named(one.pk, one.number, of[one.number].vehicle, of[one.number].on, one.pk in named)
        for one in seen
        if one.state == WorkOrder.State.RELEASED and not one.planned_on and one.number in of
    ]


def how_far(share: float | None) -> str:
    """What planning anew is at, for whoever waits."""
    if share is None or share < READING:
        return "Beginning …"
    if share < WORKING:
        return "Reading what falls due, who is there and what stands …"
    if share < KEEPING:
        return f"Working out days and visits, {NOW_S:.0f} seconds at most …"
    return "Keeping the plan …"


def planned_anew(moved: int) -> str:
    """What came of planning anew. What stands is no longer in its cost, so costs tell nothing."""
    many = f"{moved} services are" if moved != 1 else "one service is"
    return f"Planned anew: {many if moved else 'no service is'} on another day than before."


def moved_to(vehicle: str, on: date, bay: str) -> str:
    return f"{vehicle} comes in on {day(on)}{f', {bay}' if bay else ''}. Its day is locked."


def parts(time: Minutes) -> str:
    """How the minutes of a visit come about, in words."""
    named = (
        (time.set_up, "min to set up, once a visit"),
        (time.services, "min of what is listed below"),
        (time.others, "min that its orders have besides"),
        (time.waits, "min waited in the bay"),
        (time.second, "min of a second person at the same time"),
    )
    told = " + ".join(f"{grouped(of_it)} {words}" for of_it, words in named if of_it > 0)
    less = f" \N{MINUS SIGN} {grouped(-time.others)} min, as it was planned with fewer"
    return told + less * (time.others < 0)


def minutes(of: Labour) -> str:
    """Minutes of work, and what they rest on where that is not the book alone."""
    aside = f"; {of.set_aside} set aside, too far from the book" if of.set_aside else ""
    if of.jobs:
        return f"{of.minutes}, learnt from {of.jobs} jobs here (book: {of.book_min}{aside})"
    return f"{of.minutes}, by the book{aside}" if aside else str(of.minutes)
