"""The answer in a sentence, the figure first that was most likely asked for."""

from typing import Any

from fleet.whatif.answer import answer

NAMES = ("work_h", "late_h", "overdue_d", "visits", "services", "work_cost_minor")
MECHANIC = [{"what": "mechanic"}]
LIMIT = [{"what": "limit km"}]


def result(**given: tuple[float, float, float]) -> dict[str, Any]:
    """Differences of 12 months with their ends; what is not given does not differ."""
    found = {}
    for name in NAMES:
        mean, low, high = given.get(name, (0, 0, 0))
        one = {"today": 0, "changed": mean, "difference": mean, "low": low, "high": high}
        found[name] = {"months": [one], "total": one}
    return {"measures": found, "items": [], "plans": [], "wages_minor": None}


def test_of_one_more_mechanic_the_late_work_is_told_first_and_the_wages_last() -> None:
    found = result(late_h=(-168, -192, -144), overdue_d=(-120, -130, -110))
    said = answer(found | {"wages_minor": 31_000}, MECHANIC)
    # 168 hours less in 12 months are 14 a month
    assert said == (
        "About 14 h a month less late work (12 to 16 in four of five futures); about 120 fewer "
        "days on which a service is overdue in the 12 months. About 310 EUR more a month for wages "
        "is not counted here."
    )


def test_of_shorter_intervals_the_work_is_told_first_and_a_little_late_work_not() -> None:
    found = result(
        work_h=(18, 18, 18), visits=(12, 10, 14), late_h=(2, 1, 3), work_cost_minor=(204_000, 0, 0)
    )
    assert answer(found, LIMIT) == (
        "About 1.5 h a month more work; about 170 EUR a month more for parts and labour; about 12 "
        "more visits in the 12 months."
    )


def test_where_futures_disagree_it_is_said() -> None:
    said = answer(result(work_h=(12, -6, 24)), LIMIT)
    assert (
        said == "About 1.0 h a month more work (though in some futures it is the other way round)."
    )


def test_a_mechanic_who_saves_nothing_is_said_to() -> None:
    said = answer(result(visits=(1, 0, 2)), MECHANIC)
    assert said == "Next to no late work goes away."


def test_nothing_that_differs_is_nothing() -> None:
    assert answer(result(), LIMIT).startswith("Nothing changes")


def plans(*pairs: tuple[int, int], left_out: int = 0) -> dict[str, Any]:
    """What the plans of depots cost, in both arms; so many more are left out of the first."""
    return {
        "plans": [
            {
                "today": {"cost": today, "left_out": 2},
                "changed": {"cost": changed, "left_out": 2 + left_out * (number == 0)},
            }
            for number, (today, changed) in enumerate(pairs)
        ]
    }


def test_what_the_plan_counts_is_told_apart_from_parts_and_labour() -> None:
    """Of two depots 9,800 more and 20 less; parts and labour 624 in 12 months are 52 a month."""
    found = result(work_cost_minor=(62_400, 0, 0))
    said = answer(found | plans((100_000, 1_080_000), (9_000, 7_000), left_out=3), LIMIT)
    assert said == (
        "About 52 EUR a month more for parts and labour. The plan of the next eight weeks counts "
        "about 9,780 EUR more, with 3 services more left out: that is visits, days late from its "
        "first day on and paid life thrown away, at the prices set for planning; parts and labour "
        "are not in it."
    )
    less = answer(found | plans((1_080_000, 100_000), left_out=-1), LIMIT)
    assert "counts about 9,800 EUR less, with 1 service fewer left out" in less


def test_a_plan_that_counts_next_to_nothing_more_is_not_told() -> None:
    found = result(work_cost_minor=(62_400, 0, 0))
    assert "counts" not in answer(found | plans((100_000, 109_999)), LIMIT)
    assert "left out" not in answer(found | plans((100_000, 200_000)), LIMIT)
