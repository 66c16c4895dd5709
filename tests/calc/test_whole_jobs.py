"""Sharing a day out whole, by hand; and rows for unions of skills."""

from dataclasses import replace

import numpy as np
import pytest

from fleet.calc import whole_jobs
from fleet.calc.visit_rows import fits_capacity, skill_capacity, unions
from fleet.calc.whole_jobs import Committed, Crew, Piece, share_evenly, share_out

BOTH = (0, 1)


def test_three_jobs_that_add_up_have_no_way_to_be_shared() -> None:
    # by hand: 3 · 320 = 960 = 2 · 480, and 2 · 320 > 480
    assert share_out([Piece(320, BOTH)] * 3, [480, 480]) is None


def test_a_sharing_that_the_longest_first_misses_is_found() -> None:
    # by hand: 5 + 4 = 9 and 3 · 3 = 9; putting 5 and 3 together leaves 4 + 3 + 3 = 10
    pieces = [Piece(minutes, BOTH) for minutes in (5, 4, 3, 3, 3)]
    places = share_out(pieces, [9, 9])
    assert places is not None
    sums = [sum(p.minutes for p, at in zip(pieces, places, strict=True) if at == b) for b in BOTH]
    assert sums == [9, 9]


def test_who_can_do_little_is_not_filled_by_what_anybody_can_do() -> None:
    pieces = [Piece(300, BOTH), Piece(300, (0,))]
    assert share_out(pieces, [480, 480]) == [1, 0]
    assert share_out([Piece(300, (0,)), Piece(300, (0,))], [480, 480]) is None


def test_a_second_person_is_somebody_else() -> None:
    alone = [Piece(60, (0,)), Piece(20, (0,), apart_from=0)]
    assert share_out(alone, [480]) is None
    assert share_out([Piece(60, BOTH), Piece(20, BOTH, apart_from=0)], [480, 480]) in (
        [0, 1],
        [1, 0],
    )  # noqa: E501


def test_a_search_that_is_cut_short_promises_nothing() -> None:
    assert share_out([Piece(1, BOTH)] * 4, [2, 2], most_nodes=2) is None


def test_one_mechanic_with_two_skills_is_not_two() -> None:
    # by hand: 300 min for A and 300 min for B pass a row each of 480, their union does not
    kinds = unions(np.array([0b01, 0b10, 0b01]))
    assert kinds == [(1,), (2,), (1, 2)]
    minutes, skills = np.array([[480.0], [400.0]]), np.array([0b11, 0])
    assert [skill_capacity(kind, minutes, skills)[0] for kind in kinds] == [480, 480, 480]


def test_a_job_that_asks_two_skills_wants_them_of_one_person() -> None:
    minutes, skills = np.array([[480.0], [400.0]]), np.array([0b01, 0b10])
    assert skill_capacity((0b11,), minutes, skills)[0] == 0
    assert skill_capacity((0b01, 0b10), minutes, skills)[0] == 880


def test_vehicles_that_fit_one_bay_only_have_its_minutes() -> None:
    minutes = np.array([[400.0], [480.0]])
    assert fits_capacity((0b10,), minutes)[0] == 480
    assert fits_capacity((0b10, 0b01), minutes)[0] == 880


def crew(committed: tuple[Committed, ...] = ()) -> Crew:
    """One bay of 480 and two mechanics, of whom one has the skill; a job each on two vehicles."""
    return Crew(
        bay_min=np.array([[480.0]]),
        bay_fits=np.array([[True], [False]]),
        mechanic_min=np.array([[480.0], [240.0]]),
        skills=np.array([0, 1]),
        need=np.array([1, 0, 0]),
        work_min=np.array([200.0, 100.0, 50.0]),
        second_min=np.array([0.0, 30.0, 0.0]),
        wait_min=np.array([60.0, 90.0, 0.0]),
        set_up_min=np.array([20.0, 20.0]),
        committed=(committed,),
    )


def test_a_visit_has_one_bay_and_one_mechanic_with_the_skill() -> None:
    assert crew().share_day(0, [(0, [0], False)]) == ([0], [1])


def test_a_vehicle_that_fits_no_bay_has_none() -> None:
    assert crew().share_day(0, [(1, [2], False)]) is None


def test_waits_of_several_jobs_overlap_and_set_up_is_paid_once() -> None:
    # by hand: 20 + 200 + 100; the longer wait of 60 and 90; a second person for 30
    assert crew().minutes(0, [0, 1], joins=False) == (320, 30, 410)
    assert crew().minutes(0, [0, 1], joins=True) == (300, 30, 390)


def test_a_visit_longer_than_anybody_is_there_does_not_fit_alone() -> None:
    # by hand: with the skill 240 min are there: 220 fit, 320 do not
    holds = np.array([[True, False], [True, True]])
    fits = crew().fits_alone(
        0, np.array([0, 1]), holds, np.array([0, 1]), np.array([0, 0]), np.array([True])
    )
    assert fits.tolist() == [True, False]


def test_what_stands_already_takes_its_place() -> None:
    stands = Committed(bay_min=300, work_min=300, bays=(0,), mechanics=(0,))
    # by hand: the bay has 180 left, the visit needs 20 + 200 + 60
    assert crew((stands,)).share_day(0, [(0, [0], False)]) is None
    assert crew((stands,)).share_day(0, [(0, [2], False)]) is not None


def test_a_day_is_spread_over_whoever_is_there_each_in_a_bay_of_their_own() -> None:
    # by hand: 90 + 60 = 80 + 70 = 150; the fullest first would put all 300 into one bay
    pieces = [Piece(minutes, BOTH) for minutes in (90, 60, 80, 70)]
    assert share_out(pieces, [480, 480]) == [0, 0, 0, 0]
    by_whom = share_evenly(pieces, [480, 480])
    assert by_whom == [0, 0, 1, 1]
    assert share_evenly(pieces, [480, 480], by_whom) == by_whom


def test_who_does_a_job_takes_another_bay_only_when_there_is_no_room_in_theirs() -> None:
    # by hand: of one mechanic 200 + 200 fit into 480, the third does not
    assert share_evenly([Piece(200, BOTH)] * 3, [480, 480], [0, 0, 0]) == [0, 0, 1]


def test_an_even_sharing_that_gives_up_early_is_no_refusal(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # by hand: 5 + 4 = 3 + 3 + 3 = 9, which the emptiest first misses with few tries
    monkeypatch.setattr(whole_jobs, "MOST_NODES", 5)
    places = share_evenly([Piece(minutes, BOTH) for minutes in (5, 4, 3, 3, 3)], [9, 9])
    assert places is not None
    assert places[0] == places[1] != places[2] == places[3] == places[4]
    assert share_evenly([Piece(320, BOTH)] * 3, [480, 480]) is None


def test_two_mechanics_work_beside_each_other() -> None:
    two = replace(
        crew(), bay_min=np.full((2, 1), 480.0), bay_fits=np.ones((2, 2), dtype=bool),
        mechanic_min=np.full((2, 1), 480.0), need=np.zeros(3, dtype=int),
    )  # fmt: skip
    # by hand: 220 and 70 min of work; one each, and each in a bay
    bays, people = two.set_out(0, [(0, [0], False), (1, [2], False)]) or ([], [])
    assert sorted(people) == [0, 1]
    assert bays == people


def test_what_was_given_to_a_mechanic_takes_no_more_than_they_are_there_for() -> None:
    """By hand: Ada is there for 480 min and has 300 + 300, so nothing of hers is left; Bo's 240
    are free."""
    mine = Committed(300, 300, (0, 1), (0, 1), whose=0)
    nobody_s = Committed(50, 50, (0, 1), (0, 1))
    of = crew((mine, nobody_s, replace(mine, bay_min=100)))
    _, people, _ = of.pieces(0, [])
    told = [(one.minutes, one.places) for one in people]
    assert told == [(300, (0,)), (50, (0, 1)), (180, (0,))]


def test_what_joins_a_vehicle_is_for_whoever_has_it_alone() -> None:
    def who(has: dict[tuple[int, int], int], service: int, joins: bool) -> tuple[int, ...]:
        of = replace(crew(), has=has)
        return of.pieces(0, [(0, [service], joins)])[1][0].places

    assert who({(0, 0): 1}, 1, True) == (1,)
    assert who({(0, 0): 1}, 1, False) == who({(1, 0): 1}, 1, True) == (0, 1)
    assert who({(0, 0): 0}, 0, True) == ()  # they have no skill for it
