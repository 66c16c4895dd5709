"""How much work to spend on a plan: counted, so that the same task gives the same plan."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Effort:
    """How much work to spend; counted, so that the same task gives the same plan.

    Parameters
    ----------
    moves, more_moves
        Small destroy-and-repair moves, and how many at most while the gap is too large.
    programs, more_programs
        Small integer programs, and how many at most while the gap is too large.
    vehicles, nodes
        Free in one of those, and nodes of its search.
    good_gap, tight_gap
        Share of the cost that is near enough; where scarce minutes are worth much of it.
    windows, day_columns, tight_columns
        Times that some days are planned anew as sets of whole visits while the gap is too
        large: where there are no more columns than this, as more vehicles fill days well;
        or than ``tight_columns`` where scarce minutes are worth much of the cost.
    whole_columns, whole_nodes
        Of an integer program over everything: tried when no more columns than this are left,
        for so many nodes.
    """

    moves: int = 400
    more_moves: int = 1_600
    programs: int = 20
    more_programs: int = 40
    vehicles: int = 12
    nodes: int = 20
    good_gap: float = 0.01
    tight_gap: float = 0.0125
    windows: int = 60
    day_columns: int = 20_000
    tight_columns: int = 30_000
    whole_columns: int = 1_500
    whole_nodes: int = 500


def never() -> bool:
    """Say that there is time."""
    return False
