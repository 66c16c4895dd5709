"""What a depot has on each day: minutes, places and parts, as rows that no plan may exceed.

One mechanic with two skills is not two mechanics: 300 minutes for either would pass a row for each
of them and still be more than the 480 minutes of the one who has both. So there is a row for every
union of the kinds of work that occur: what is asked of anybody in the union may not exceed what
all who can do any of it have together.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from fleet.calc.arrays import BoolArray, FloatArray, IntArray

MANY_KINDS = 5  # of work: beyond, only single ones, pairs and all of them together; our choice


@dataclass(frozen=True)
class Row:
    """One thing that is limited on each day.

    Parameters
    ----------
    kind
        "mechanics", "skill", "bays", "bay", "vehicles" or "part".
    name
        What exactly, for people.
    capacity : (H,)
        How much there is on each day; of a part, how many have come by then less those promised.
    use : (n,)
        How much each service takes.
    set_up : (v,)
        How much each visit takes by itself.
    cumulative
        Whether what was taken on one day is gone on all later ones.
    waits
        Whether the time that a job waits counts too.
    """

    kind: str
    name: str
    capacity: FloatArray
    use: FloatArray
    set_up: FloatArray
    cumulative: bool = False
    waits: bool = False


def unions(asked: IntArray) -> list[tuple[int, ...]]:
    """Choose sets of kinds of work that need a row of their own: (n,) bits asked for, 0 = nothing.

    Examples
    --------
    >>> unions(np.array([1, 2, 1, 0]))
    [(1,), (2,), (1, 2)]
    """
    kinds = [int(one) for one in np.unique(asked) if one]
    sizes = range(1, len(kinds) + 1) if len(kinds) <= MANY_KINDS else (1, 2, len(kinds))
    return [chosen for size in sizes for chosen in combinations(kinds, size)]


def skill_capacity(kinds: tuple[int, ...], minutes: FloatArray, skills: IntArray) -> FloatArray:
    """
    Minutes of all who can do at least one of some kinds of work.

    Parameters
    ----------
    kinds
        Bits of the skills that each kind asks for, all of them of one person.
    minutes : (m, H)
        Of each mechanic on each day [min].
    skills : (m,)
        Bits of what each can do.
    """
    able: BoolArray = np.zeros(len(skills), dtype=bool)
    for kind in kinds:
        able |= (skills & kind) == kind
    return np.asarray(minutes[able].sum(axis=0))


def fits_capacity(places: tuple[int, ...], minutes: FloatArray) -> FloatArray:
    """
    Minutes of all bays that at least one of some kinds of vehicle fits.

    Parameters
    ----------
    places
        Bits of the bays that each kind of vehicle fits.
    minutes : (b, H)
        Of each bay on each day [min].
    """
    either = int(np.bitwise_or.reduce(np.array(places, dtype=np.int64)))
    able = [bay for bay in range(len(minutes)) if either >> bay & 1]
    return np.asarray(minutes[able].sum(axis=0))
