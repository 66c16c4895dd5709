"""Whether the visits of a day can be shared out whole: each in one bay, each with one mechanic.

Minutes that add up are not enough: three visits of 320 minutes are no more than two mechanics of
480 minutes have, and still one of them would have to be torn in two. The order of work inside a
day is left to the workshop.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from fleet.calc.arrays import BoolArray, FloatArray, IntArray

MOST_NODES = 2_000  # of a search; our choice. Beyond, a day counts as not to be shared out


@dataclass(frozen=True)
class Piece:
    """Something that one bay, or one mechanic, must do whole.

    Parameters
    ----------
    minutes
        How long [min].
    places
        Which bays or mechanics can.
    apart_from
        Number of the piece that somebody else must be doing; −1 for none.
    """

    minutes: float
    places: tuple[int, ...]
    apart_from: int = -1


def share_out(
    pieces: Sequence[Piece], minutes: Sequence[float], most_nodes: int = MOST_NODES
) -> list[int] | None:
    """
    Place of each piece, or None where there is no way (or none was found within the nodes).

    Parameters
    ----------
    pieces
        What is to be done.
    minutes
        Of each bay or mechanic [min].

    Examples
    --------
    >>> share_out([Piece(300, (0, 1)), Piece(200, (0, 1))], [480, 250])
    [0, 1]
    >>> share_out([Piece(320, (0, 1))] * 3, [480, 480]) is None
    True
    """
    return _Search(pieces, list(minutes), most_nodes).found()


def share_evenly(
    pieces: Sequence[Piece], minutes: Sequence[float], beside: Sequence[int] = ()
) -> list[int] | None:
    """
    Place of each piece as by ``share_out``, but each to the place with the most minutes left.

    Parameters
    ----------
    pieces, minutes
        As there.
    beside
        Who does each piece: what one mechanic does stays in one bay while it has room.

    Examples
    --------
    >>> share_evenly([Piece(90, (0, 1))] * 4, [480, 480], beside=[0, 1, 1, 0])
    [0, 1, 1, 0]
    """
    even = _Search(pieces, list(minutes), MOST_NODES, evenly=True, beside=beside).found()
    return share_out(pieces, minutes) if even is None else even


@dataclass
class _Search:
    pieces: Sequence[Piece]
    left: list[float]
    nodes: int
    evenly: bool = False
    beside: Sequence[int] = ()
    place: list[int] = field(default_factory=list)

    def found(self) -> list[int] | None:
        self.place = [-1] * len(self.pieces)
        hardest = [(len(piece.places), -piece.minutes) for piece in self.pieces]
        # the longest first; those few can do come before those of any
        order = sorted(range(len(self.pieces)), key=lambda at: (hardest[at][1], hardest[at][0], at))
        return self.place if self._try(order, 0) else None

    def _try(self, order: list[int], depth: int) -> bool:
        if depth == len(order):
            return True
        if self.nodes <= 0:
            return False
        self.nodes -= 1
        at = order[depth]
        piece = self.pieces[at]
        seen: set[tuple[float, tuple[int, ...]]] = set()
        for place in self._tried_in_turn(at):
            if self.left[place] + 1e-9 < piece.minutes or place in self._kept_apart(at):
                continue
            alike = (self.left[place], self._who_could_use(order[depth:], place))
            if alike in seen:
                continue
            seen.add(alike)
            self.left[place] -= piece.minutes
            self.place[at] = place
            if self._try(order, depth + 1):
                return True
            self.left[place] += piece.minutes
            self.place[at] = -1
        return False

    def _tried_in_turn(self, at: int) -> list[int]:
        """Places of a piece: the fullest first, which finds a way soonest, or the emptiest."""
        places = self.pieces[at].places
        if not self.evenly:
            return sorted(places, key=lambda one: (self.left[one], one))
        mine = self.beside[at : at + 1]
        there = {place for who, place in zip(self.beside, self.place, strict=False) if who in mine}
        return sorted(places, key=lambda one: (one not in there, -self.left[one], one))

    def _kept_apart(self, at: int) -> set[int]:
        other = self.pieces[at].apart_from
        mine = {self.place[other]} if other >= 0 else set()
        others = {
            self.place[number] for number, piece in enumerate(self.pieces) if piece.apart_from == at
        }
        return mine | others

    def _who_could_use(self, order: list[int], place: int) -> tuple[int, ...]:
        """Pieces still to come that a place could do: places alike in it are tried once."""
        return tuple(at for at in order if place in self.pieces[at].places)


@dataclass(frozen=True)
class Committed:
    """A visit that stands already and takes its place and its mechanic.

    Parameters
    ----------
    bay_min, work_min
        How long, in the bay and of a mechanic [min].
    bays, mechanics
        Which can.
    second_min
        How long of a second person [min].
    whose
        Which mechanic has it already; −1: nobody.
    """

    bay_min: float
    work_min: float
    bays: tuple[int, ...]
    mechanics: tuple[int, ...]
    second_min: float = 0.0
    whose: int = -1


@dataclass(frozen=True)
class Crew:
    """Bays and mechanics of a depot, and what each service asks of them.

    Parameters
    ----------
    bay_min : (b, H)
        Minutes each bay is open [min].
    bay_fits : (v, b)
        Whether each vehicle fits each bay.
    mechanic_min : (m, H)
        Minutes each mechanic is there [min].
    skills : (m,)
        Bits of what each can do.
    need : (n,)
        Bits of what each service asks of whoever does it.
    work_min, second_min, wait_min : (n,)
        Of a mechanic, of a second person, and waited in the bay [min].
    set_up_min : (v,)
        Of each visit [min].
    committed
        For each day the visits that stand.
    has
        Which mechanic has a vehicle on a day, by vehicle and day: what joins it there is theirs.
    """

    bay_min: FloatArray
    bay_fits: BoolArray
    mechanic_min: FloatArray
    skills: IntArray
    need: IntArray
    work_min: FloatArray
    second_min: FloatArray
    wait_min: FloatArray
    set_up_min: FloatArray
    committed: tuple[tuple[Committed, ...], ...]
    has: Mapping[tuple[int, int], int] = field(default_factory=dict)

    def able(self, need: int) -> tuple[int, ...]:
        """Mechanics who can do all that is asked."""
        return tuple(np.flatnonzero((self.skills & need) == need).tolist())

    def minutes(self, vehicle: int, services: Sequence[int], joins: bool) -> tuple[float, ...]:
        """Of a visit: of the mechanic, of a second person, in the bay [min]."""
        rows = list(services)
        set_up = 0.0 if joins else float(self.set_up_min[vehicle])
        work = set_up + float(self.work_min[rows].sum())
        wait = float(self.wait_min[rows].max(initial=0.0))
        return work, float(self.second_min[rows].sum()), work + wait

    def fits_alone(
        self,
        vehicle: int,
        services: IntArray,
        holds: BoolArray,
        at: IntArray,
        day: IntArray,
        alone: BoolArray,
    ) -> BoolArray:
        """Whether each visit of a vehicle has a bay and a mechanic if it is the only one, (j,)."""
        set_up = float(self.set_up_min[vehicle])
        work = (holds @ self.work_min[services])[at] + set_up * alone[day]
        wait = (holds * self.wait_min[services]).max(axis=1)[at]
        second = (holds @ self.second_min[services])[at]
        need = np.bitwise_or.reduce(np.where(holds, self.need[services], 0), axis=1)[at]
        bays = np.flatnonzero(self.bay_fits[vehicle])
        longest_bay = self.bay_min[bays].max(axis=0, initial=0.0)[day]
        longest_work = self._longest(need, day)
        present = (self.mechanic_min >= np.maximum(second.max(initial=0.0), 1e-9)).sum(axis=0)
        enough = (second <= 0) | (present[day] >= 2)
        return np.asarray((work + wait <= longest_bay) & (work <= longest_work) & enough)

    def _longest(self, need: IntArray, day: IntArray) -> FloatArray:
        longest = np.zeros(len(need))
        for kind in np.unique(need):
            able = (self.skills & kind) == kind
            most = self.mechanic_min[able].max(axis=0, initial=0.0)
            longest = np.where(need == kind, most[day], longest)
        return longest

    def share_day(
        self, day: int, visits: Sequence[tuple[int, Sequence[int], bool]]
    ) -> tuple[list[int], list[int]] | None:
        """Bay and mechanic of each visit of a day as ``share_whole_day``, without those held."""
        shared, stands = self.share_whole_day(day, visits), len(self.committed[day])
        return None if shared is None else (shared[0][stands:], shared[1][stands:])

    def share_whole_day(
        self, day: int, visits: Sequence[tuple[int, Sequence[int], bool]]
    ) -> tuple[list[int], list[int]] | None:
        """
        Bay and mechanic of all of a day, those held first; None where it cannot be shared out.

        Parameters
        ----------
        day
            Which day.
        visits
            Vehicle, services, and whether they join a visit that stands (then they ask for a
            mechanic, and lengthen the stay in a bay).
        """
        bays, people, second_people = self.pieces(day, visits)
        in_bays = share_out(bays, self.bay_min[:, day].tolist())
        if in_bays is None:
            return None
        by_whom = share_out(people + second_people, self.mechanic_min[:, day].tolist())
        if by_whom is None:
            return None
        return in_bays, by_whom[: len(people)]

    def set_out(
        self, day: int, visits: Sequence[tuple[int, Sequence[int], bool]]
    ) -> tuple[list[int], list[int]] | None:
        """Bay and mechanic as ``share_whole_day``, the work spread over whoever is there."""
        bays, people, second_people = self.pieces(day, visits)
        by_whom = share_evenly(people + second_people, self.mechanic_min[:, day].tolist())
        if by_whom is None:
            return None
        by_whom = by_whom[: len(people)]
        in_bays = share_evenly(bays, self.bay_min[:, day].tolist(), by_whom)
        return None if in_bays is None else (in_bays, by_whom)

    def pieces(
        self, day: int, visits: Sequence[tuple[int, Sequence[int], bool]]
    ) -> tuple[list[Piece], list[Piece], list[Piece]]:
        """Give what bays, mechanics and second persons must do whole, those held first.

        Who was given more than they are there for has no minutes left; the rest is no other's.
        """
        bays = [Piece(one.bay_min, one.bays) for one in self.committed[day]]
        people = self._held(day)
        everybody = self._present(day, range(len(self.skills)))
        second_people = [
            Piece(one.second_min, everybody, number)
            for number, one in enumerate(self.committed[day])
            if one.second_min > 0
        ]
        for vehicle, services, joins in visits:
            work, second, bay = self.minutes(vehicle, services, joins)
            need = int(np.bitwise_or.reduce(self.need[list(services)]))
            bays.append(Piece(bay, tuple(np.flatnonzero(self.bay_fits[vehicle]).tolist())))
            able = self._present(day, self.able(need))
            who = self.has.get((vehicle, day), -1) if joins else -1
            people.append(Piece(work, tuple(one for one in able if who in (-1, one))))
            if second > 0:
                second_people.append(Piece(second, everybody, len(people) - 1))
        return bays, people, second_people

    def _held(self, day: int) -> list[Piece]:
        left, held = self.mechanic_min[:, day].tolist(), []
        for one in self.committed[day]:
            if one.whose < 0:
                held.append(Piece(one.work_min, self._present(day, one.mechanics)))
                continue
            held.append(Piece(min(one.work_min, left[one.whose]), (one.whose,)))
            left[one.whose] -= held[-1].minutes
        return held

    def _present(self, day: int, mechanics: Sequence[int]) -> tuple[int, ...]:
        """Those of some mechanics who are there on a day: even what takes no minutes is theirs."""
        return tuple(one for one in mechanics if self.mechanic_min[one, day] > 0)
