"""Why a day cannot hold a visit whole: the first thing that is lacking, that visit alone first."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from fleet.calc.arrays import FloatArray
from fleet.calc.whole_jobs import Crew, Piece, share_out


class Cause(StrEnum):
    """What a day lacks."""

    NO_BAY = "no bay carries it"
    OPENING = "longer than the opening"
    NOBODY = "nobody there"
    SKILL = "nobody there has the skill"
    LONGER = "longer than anybody is there"
    SECOND = "no second person there"
    BAY_TAKEN = "no bay has the minutes left"
    HANDS_TAKEN = "nobody has the minutes left"
    SECOND_TAKEN = "no second person has the minutes left"
    OTHERS = "the others do not fit"


@dataclass(frozen=True)
class Lack:
    """A cause, with the minutes it is about: asked for, and at most there [min]."""

    cause: Cause
    asked_min: float = 0.0
    present_min: float = 0.0


def why_not(
    crew: Crew,
    day: int,
    visits: Sequence[tuple[int, Sequence[int], bool]],
    mine: Collection[int],
) -> Lack:
    """
    Tell why a day cannot be shared out whole.

    Parameters
    ----------
    day, visits
        As of ``Crew.share_whole_day``, which found no way.
    mine
        Numbers of the pieces of the visit that is asked about, those held counted first.
    """
    bays, people, second = crew.pieces(day, visits)
    bay_min, present_min = crew.bay_min[:, day], crew.mechanic_min[:, day]
    for number in sorted(mine):
        helpers = [one for one in second if one.apart_from == number]
        lack = _in_bay(bays[number], bay_min) or _by_hands(people[number], helpers, present_min)
        if lack is not None:
            return lack
    rest = [number for number in range(len(bays)) if number not in mine]
    lack = _taken(bays, rest, bay_min, Cause.BAY_TAKEN)
    lack = lack or _taken(people, rest, present_min, Cause.HANDS_TAKEN)
    return lack or Lack(Cause.SECOND_TAKEN, max((one.minutes for one in second), default=0.0))


def _in_bay(piece: Piece, bay_min: FloatArray) -> Lack | None:
    """Tell what one visit lacks of bays, if it were the only one."""
    if not piece.places:
        return Lack(Cause.NO_BAY)
    longest = float(bay_min[list(piece.places)].max())
    return Lack(Cause.OPENING, piece.minutes, longest) if piece.minutes > longest else None


def _by_hands(piece: Piece, helpers: Sequence[Piece], present_min: FloatArray) -> Lack | None:
    """Tell what one visit lacks of mechanics, if it were the only one."""
    if not (present_min > 0).any():
        return Lack(Cause.NOBODY, piece.minutes)
    if not piece.places:
        return Lack(Cause.SKILL, piece.minutes)
    longest = float(present_min[list(piece.places)].max())
    if piece.minutes > longest:
        return Lack(Cause.LONGER, piece.minutes, longest)
    both = [Piece(piece.minutes, piece.places), *(Piece(h.minutes, h.places, 0) for h in helpers)]
    if share_out(both, present_min.tolist()) is None:
        return Lack(Cause.SECOND, sum(one.minutes for one in helpers))
    return None


def _taken(
    pieces: Sequence[Piece], rest: Sequence[int], minutes: FloatArray, cause: Cause
) -> Lack | None:
    """Whether it is the others that leave no minutes, or do not fit themselves."""
    if share_out(pieces, minutes.tolist()) is not None:
        return None
    if share_out([pieces[number] for number in rest], minutes.tolist()) is None:
        return Lack(Cause.OTHERS)
    asked = (one.minutes for number, one in enumerate(pieces) if number not in rest)
    return Lack(cause, max(asked, default=0.0), float(np.max(minutes, initial=0.0)))
