"""Which visits whose day stands fit that day no more, why, and which day would hold each.

Nothing is moved: a day that stands is a person's to change. Who was promised a day keeps a place
before others do, then orders before locked and near visits, the oldest first.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from fleet.calc.visit_refusal import why_not
from fleet.calc.whole_jobs import Committed, Crew
from fleet.people.models import Person
from fleet.today import day
from fleet.visits.gather import Gathered, Standing, gather
from fleet.visits.models import Absence, Plan, Promise, Visit
from fleet.visits.refusals import ANOTHER_DAY, BEGUN, sentence
from fleet.visits.task import Made, committed_by, make, to_spare

Come = Sequence[tuple[int, Sequence[int], bool]]  # vehicle row, services, joins


@dataclass(frozen=True)
class Unfit:
    """A visit that its day does not hold."""

    number: int  # among those that stand
    why: str  # and what would mend it, in sentences
    placed: bool  # it has its place all the same: whoever has it has too much that day


def unfit(found: Gathered, made: Made, come: Mapping[int, Come]) -> list[Unfit]:
    """
    Weigh every visit that stands on its own day, the first day first.

    Parameters
    ----------
    come
        By day, what the plan brings in besides.
    """
    if made.task.crew is None:
        return []
    return list(_Weighing(found, made.task.crew, come).unfit())


def weigh_again(plan: Plan, today: date) -> dict[int, str]:
    """Say anew of each visit of a plan whether its day holds it, as when one was moved; by its id,
    why it does not."""
    found = gather(plan.depot, today, plan.days)
    made = make(found)
    by_day: dict[int, dict[int, list[int]]] = defaultdict(lambda: defaultdict(list))
    for number, one in enumerate(found.wanted):
        at = found.before.get((one.vehicle_id, one.service_id), -1)
        if at >= 0:
            by_day[at][int(made.task.vehicle[number])].append(number)
    come = {
        at: [(row, services, bool(made.task.joins[row, at])) for row, services in rows.items()]
        for at, rows in by_day.items()
    }
    Visit.objects.filter(plan=plan).exclude(unfit="").update(unfit="")
    told: dict[int, str] = {}
    for each in unfit(found, made, come):
        visit = found.standing[each.number]
        on = today + timedelta(days=visit.day)
        rows = Visit.objects.filter(plan=plan, vehicle=visit.vehicle_id, on=on)
        told.update((pk, each.why) for pk in rows.values_list("pk", flat=True))
        rows.update(unfit=each.why)
    return told


class _Weighing:
    def __init__(self, found: Gathered, crew: Crew, come: Mapping[int, Come]) -> None:
        self.found, self.crew, self.come = found, crew, come
        self.row_of = {one.pk: row for row, one in enumerate(found.vehicles)}
        self.on_day: dict[int, list[int]] = defaultdict(list)
        for number, one in enumerate(found.standing):
            self.on_day[one.day].append(number)
        self.held = [list(each) for each in crew.committed]  # as it would be with what is told
        self.limits = to_spare(found)
        self.inside = [  # the vehicles that are there on each day, likewise
            {self.row_of[found.standing[number].vehicle_id] for number in self.on_day[at]}
            | {row for row, *_ in come.get(at, ())}
            for at in range(found.days)
        ]
        stands = Promise.objects.filter(depot=found.depot, ending="")
        self.promised = {*stands.values_list("vehicle", "on")} if found.standing else set()

    def unfit(self) -> Iterator[Unfit]:
        told: list[tuple[int, Unfit]] = []
        for at, numbers in sorted(self.on_day.items()):
            told += ((at, one) for one in self._of_day(at, numbers))
        away = self._away({at for at, _ in told})
        for at, one in told:
            mended = self._mended(self.found.standing[one.number])
            yield replace(one, why=f"{one.why}{away.get(at, '')} {mended}")

    def _of_day(self, at: int, numbers: Sequence[int]) -> Iterator[Unfit]:
        """Those that do not fit; the others keep their places."""
        stay: list[Committed] = []
        fits: list[Committed] = []  # of these, what whoever has it is there for
        pieces = dict(zip(numbers, self.crew.committed[at], strict=True))
        for number in sorted(numbers, key=self._comes_after):
            one, piece = self.found.standing[number], pieces[number]
            why = self._why(at, one, [*stay, piece])
            if why:
                yield Unfit(number, why, placed=False)
                continue
            stay.append(piece)
            too_much = self._too_much(at, one, [*fits, piece])
            if too_much:
                yield Unfit(number, too_much, placed=True)
            else:
                fits.append(piece)
        self.held[at] = stay

    def _too_much(self, at: int, one: Standing, held: Sequence[Committed]) -> str:
        """That whoever has the last of some visits is not there for all of theirs; empty: they
        are."""
        who, places = held[-1].whose, self.found.places
        if not self._is_beyond(at, held):
            return ""
        asked = _min_of(who, held)
        van = self.found.vehicles[self.row_of[one.vehicle_id]].fleet_number
        mend = "give another visit to somebody else" if one.begun else "give it to another"
        other = "" if one.begun else f", or {ANOTHER_DAY}"
        return (
            f"{van} stands on {day(self.found.today + timedelta(days=at))} with "
            f"{places.mechanics[who]}, who has orders of {asked:.0f} min that day and is there for "
            f"{places.mechanic_min[who, at]:.0f} min: {mend}{other}."
        )

    def _is_beyond(self, at: int, held: Sequence[Committed]) -> bool:
        """Whether whoever has the last of some visits has more of them than minutes."""
        who = held[-1].whose
        return who >= 0 and _min_of(who, held) > self.found.places.mechanic_min[who, at]

    def _comes_after(self, number: int) -> tuple[bool, int]:
        one = self.found.standing[number]
        on = self.found.today + timedelta(days=one.day)
        return (one.vehicle_id, on) not in self.promised, number

    def _why(self, at: int, one: Standing, held: Sequence[Committed]) -> str:
        """Why the last of some visits does not fit; empty: it does."""
        van, places = self.found.vehicles[self.row_of[one.vehicle_id]], self.found.places
        stands = f"{van.fleet_number} stands on {day(self.found.today + timedelta(days=at))}"
        other = BEGUN if one.begun else ANOTHER_DAY
        is_away = self.found.away[self.row_of[one.vehicle_id], at]
        if one.because and (is_away or not places.open[at]):
            return ""  # somebody was asked, and said why
        if not places.open[at]:
            why = places.closed.get(at, "")
            said = f" ({why})" if why else ""
            return f"{stands}, when the workshop is closed{said}: {other}."
        if is_away:
            move = BEGUN if one.begun else "move the visit"
            return f"{stands} and is away then: {move}, or correct the absence."
        anybody_s = [replace(each, whose=-1) for each in held]
        for crew in (self._with(at, anybody_s), self._with(at, held)):
            if crew.share_whole_day(at, []) is None:
                lack = why_not(crew, at, [], [len(held) - 1])
                row = self.row_of[one.vehicle_id]
                told = sentence(self.found, row, at, lack, one.skills, begun=one.begun)
                return f"{stands} and does not fit: {told}."
        return ""

    def _with(self, at: int, held: Sequence[Committed]) -> Crew:
        each = (held if on == at else () for on in range(self.found.days))
        return replace(self.crew, committed=tuple(map(tuple, each)))

    def _away(self, days: set[int]) -> dict[int, str]:
        """Who is away on some days, in a sentence each."""
        if not days:
            return {}
        first, last = (self.found.today + timedelta(days=at) for at in (min(days), max(days)))
        rows = Absence.objects.filter(
            mechanic__depot=self.found.depot, from_on__lte=last, until_on__gte=first
        )
        names: dict[int, list[str]] = defaultdict(list)
        for row in rows.select_related("mechanic").order_by("mechanic__name", "pk"):
            for at in days:
                if row.from_on <= self.found.today + timedelta(days=at) <= row.until_on:
                    names[at].append(str(row.mechanic))
        return {
            at: f" {' and '.join(dict.fromkeys(some))} {'is' if len({*some}) == 1 else 'are'} "
            "away that day."
            for at, some in names.items()
            if self.found.places.open[at]
        }

    def _spares(self, row: int, at: int) -> bool:
        """Whether the depot can spare one more vehicle on a day, or has it there anyway."""
        others = list(self.inside[at] - {row})
        kept = (most - int(of[others].sum()) for _, of, most in self.limits if of[row])
        return all(left > 0 for left in kept)

    def _mended(self, one: Standing) -> str:
        """The next day that would hold it whole, beside what stands and comes in there."""
        row = self.row_of[one.vehicle_id]
        bays = tuple(np.flatnonzero(self.crew.bay_fits[row]).tolist())
        anywhere = committed_by(replace(one, bay=""), self.found, bays)
        for at in range(one.day + 1, self.found.days):
            open_to_it = self.found.places.open[at] and not self.found.away[row, at]
            if not (open_to_it and self._spares(row, at)):
                continue
            piece, other = self._by_whom(one, at, anywhere)
            held = [*self.held[at], piece]
            if self._with(at, held).share_whole_day(at, self.come.get(at, ())) is not None:
                self.held[at] = held
                self.inside[at].add(row)
                on = day(self.found.today + timedelta(days=at))
                fits = "There is room to go on with it" if one.begun else "It fits"
                return f"{fits} on {on}{other}."
        return "No later day of the plan holds it."

    def _by_whom(self, one: Standing, at: int, free: Committed) -> tuple[Committed, str]:
        """What a visit takes of another day; and who has its order and cannot do it then, in
        words."""
        places = self.found.places
        who = places.row_of(one.person_id, "")
        own = replace(free, whose=-1 if who is None else who)
        if one.person_id is None:
            return free, ""
        if places.is_missing(one.person_id, at):
            why = "is not there then"
        elif self._is_beyond(at, [*self.held[at], own]):
            why = "has no time left then"
        else:
            return own, ""
        return free, f", by another than {Person.objects.get(pk=one.person_id)}, who {why}"


def _min_of(who: int, held: Sequence[Committed]) -> float:
    return sum(one.work_min for one in held if one.whose == who)
