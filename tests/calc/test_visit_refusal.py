"""Why a day does not hold a visit, each cause by hand on a crew of two."""

from dataclasses import replace

import numpy as np
import pytest

from fleet.calc.visit_refusal import Cause, Lack, why_not
from fleet.calc.whole_jobs import Committed
from tests.calc.test_whole_jobs import crew

# one bay of 480; without the skill 480 min, with it 240; set-up 20 on each visit.
# Vehicle 0, its services: 0 asks the skill: 200 + 60 waited; 1: 100, a second person 30, 90 waited


def lack(visits: list[tuple[int, list[int], bool]], mine: int = 0, **changes: object) -> Lack:
    given = {name: np.array(value) if name != "held" else value for name, value in changes.items()}
    changed = replace(crew(), **given)  # type: ignore[arg-type]
    assert changed.share_whole_day(0, visits) is None
    return why_not(changed, 0, visits, [mine])


def committed(
    bay_min: float, work_min: float, *mechanics: int
) -> tuple[tuple[Committed, ...], ...]:
    return ((Committed(bay_min, work_min, (0,), mechanics),),)


def test_what_the_visit_alone_lacks() -> None:
    both, first, second = [(0, [0, 1], False)], [(0, [0], False)], [(0, [1], False)]
    assert lack([(1, [2], False)]).cause is Cause.NO_BAY
    assert lack(first, bay_min=[[270.0]]) == Lack(Cause.OPENING, 280, 270)
    assert lack(first, mechanic_min=[[0.0], [0.0]]).cause is Cause.NOBODY
    assert lack(first, mechanic_min=[[0.0], [1.0]]) == Lack(Cause.LONGER, 220, 1)
    assert lack(first, mechanic_min=[[480.0], [0.0]]).cause is Cause.SKILL
    assert lack(both) == Lack(Cause.LONGER, 320, 240)
    assert lack(second, mechanic_min=[[300.0], [0.0]]) == Lack(Cause.SECOND, 30)


def test_who_is_there_just_as_long_as_a_visit_takes_does_not_lack_minutes() -> None:
    # 200 + 20 minutes of the only one with the skill; but 300 of the 480 of the bay are taken
    there = {"mechanic_min": [[480.0], [220.0]], "committed": committed(300, 10, 0)}
    assert lack([(0, [0], False)], mine=1, **there).cause is Cause.BAY_TAKEN


@pytest.mark.parametrize(
    ("standing", "service", "cause"),
    [
        (committed(300, 10, 0), 0, Cause.BAY_TAKEN),  # 280 min in a bay that has 180 left
        (committed(10, 100, 1), 0, Cause.HANDS_TAKEN),  # 220 min of whoever has 140 left
        (committed(10, 215, 1), 1, Cause.SECOND_TAKEN),  # 30 min of whoever has 25 left
        (committed(500, 10, 0), 0, Cause.OTHERS),  # 500 min stand in a bay of 480
    ],
)
def test_what_others_take(
    standing: tuple[tuple[Committed, ...], ...], service: int, cause: Cause
) -> None:
    assert lack([(0, [service], False)], mine=1, committed=standing).cause is cause


def test_what_takes_no_minutes_is_of_somebody_who_is_there() -> None:
    free = replace(crew(), mechanic_min=np.array([[0.0], [240.0]]), work_min=np.zeros(3))
    assert free.share_whole_day(0, [(0, [2], True)]) == ([0], [1])
