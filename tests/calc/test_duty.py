"""When a compartment counts as severe, and when no longer.

Expected classes and shares are worked out by hand from the rule, month by month.
"""

import numpy as np
import pytest

from fleet.calc.duty import Condition, Criterion, Exposure, assess, lead_in_months, met
from fleet.units import distance_km, temperature_c
from tests.calc.duty_cases import classes, one_van

NAN = float("nan")


def criterion(**changes: object) -> Criterion:
    """Rough roads for the engine: held in a month with a share of .3 or more."""
    plain: dict[str, object] = {
        "slug": "rough", "compartments": ("engine",), "powertrains": (),
        "alternatives": ((Condition("rough_share", ">=", 0.3),),), "weight": "km",
        "share_limit": 0.5, "source": "invented for the test",
    }  # fmt: skip
    return Criterion(**(plain | changes))  # type: ignore[arg-type]


def test_a_trip_of_exactly_8_km_is_not_short() -> None:
    # owner's manuals print "less than 8 km"
    holds, fails = met(Condition("trip_km", "<", 8), [7.999, 8.0, 8.001, NAN])
    assert holds.tolist() == [True, False, False, False]
    assert fails.tolist() == [False, True, True, False]


def test_the_two_printings_of_the_trip_limit_differ_by_47_metres() -> None:
    # 5 mi = 8.04672 km (NIST SP 811); 8.02 km lies between the two printed limits
    in_miles = Condition("trip_km", "<", distance_km("5 mi"))
    assert met(in_miles, 8.02)[0]
    assert not met(Condition("trip_km", "<", 8), 8.02)[0]


def test_the_two_printings_of_the_heat_limit_differ_at_32_1_degrees() -> None:
    # 90 °F = 32.2222 °C (NIST SP 811 B.9): severe in the Celsius printing only
    assert met(Condition("max_c", ">=", 32), 32.1)[0]
    assert not met(Condition("max_c", ">=", temperature_c("90 °F")), 32.1)[0]


@pytest.mark.parametrize("freezing_point_c", [0.0, 5.7e-14, -5.7e-14, -1e-9])
def test_freezing_point_itself_is_no_frost(freezing_point_c: float) -> None:
    # undefined in print, our choice; 5.7e-14 is 32 °F in plain binary floats
    assert not met(Condition("min_c", "<", 0), freezing_point_c)[0]


def test_just_under_the_freezing_point_is_frost() -> None:
    assert met(Condition("min_c", "<", 0), -2e-9)[0]


@pytest.mark.parametrize(
    ("comparison", "expected"),
    [("<", "100"), ("<=", "110"), (">", "001"), (">=", "011")],
)
def test_comparisons_at_under_and_over_the_limit(comparison: str, expected: str) -> None:
    holds, fails = met(Condition("x", comparison, 5), [4.9, 5 + 5e-10, 5.1])  # type: ignore[arg-type]
    assert "".join(str(int(h)) for h in holds) == expected
    assert (holds != fails).all()


def test_idling_hours_make_the_published_equivalent_distance() -> None:
    # a police-fleet trade article: 2,000 mi and 100 h idle at 33 mi each are 5,300 mi
    assert distance_km("2 000 mi") + 100 * distance_km("33 mi") == pytest.approx(8529.5232)


def test_half_of_the_window_makes_severe() -> None:
    assert classes(one_van(criterion(), rough_share=[0] * 6 + [0.3] * 6))[-1] == "S"
    assert classes(one_van(criterion(), rough_share=[0] * 7 + [0.3] * 5))[-1] == "N"


def test_the_window_is_weighted_by_distance() -> None:
    rough = [0.3] + [0.0] * 11
    for first_km, expected in ((11_000, "S"), (10_900, "N")):
        km = [first_km] + [1000] * 11
        assert classes(one_van(criterion(), rough_share=rough, km=km, first_month=11)) == expected


def test_idling_is_weighted_by_engine_hours() -> None:
    hours = [110] + [10] * 11
    found = one_van(criterion(weight="engine_h"), rough_share=[1] + [0] * 11, engine_h=hours)
    assert found.exposure[0, 0, -1] == pytest.approx(110 / 220)


def test_a_month_leaves_the_window_after_a_year() -> None:
    found = one_van(criterion(), rough_share=[1] * 6 + [0] * 12)
    # month 12 of the list still counts six rough months of twelve, the next one five
    assert found.exposure[0, 0, 11:14] == pytest.approx([6 / 12, 5 / 12, 4 / 12])


def test_normal_again_only_after_two_months_below_four_fifths_of_the_limit() -> None:
    # shares 6/12, 5/12, 4/12, 3/12 against .4: the second month below is the first normal one
    found = one_van(criterion(), rough_share=[1] * 6 + [0] * 12, first_month=11)
    assert classes(found) == "SSSNNNN"
    assert np.flatnonzero(found.changed).tolist() == [0, 3]


def test_four_fifths_of_the_limit_itself_is_not_below_it() -> None:
    # four rough months in every ten: a share of .4 whichever ten months the window holds
    rough = [1, 1, 1, 1, 0, 0, 0, 0, 0, 0] * 2
    found = one_van(criterion(window_months=10), rough_share=rough, first_month=11, previous=1)
    assert classes(found) == "S" * 9


def test_a_class_without_the_months_before_it_waits_for_two_calm_months() -> None:
    assert classes(one_van(criterion(), rough_share=[0, 0, 0], previous=[[1]])) == "SNN"


def test_one_month_below_is_not_enough_for_normal() -> None:
    monthly = criterion(window_months=1, share_limit=1.0)
    assert classes(one_van(monthly, rough_share=[1, 0, 1, 0, 0, 1, 0, 0, 0])) == "SSSSNSSNN"


def test_unmeasured_months_leave_both_sides_of_the_share() -> None:
    found = one_van(criterion(), rough_share=[NAN] * 6 + [1, 1, 0, 0, 0, 0])
    assert found.exposure[0, 0, -1] == pytest.approx(2 / 6)


def test_a_month_without_its_weight_is_not_measured() -> None:
    found = one_van(criterion(), rough_share=[1] * 6 + [0] * 6, km=[NAN] * 4 + [1000] * 8)
    assert found.exposure[0, 0, -1] == pytest.approx(2 / 8)


@pytest.mark.parametrize("declared", [True, False])
def test_declared_use_stands_in_below_a_quarter_of_the_window(declared: bool) -> None:
    opposite = 0.0 if declared else 1.0
    found = one_van(criterion(), rough_share=[NAN] * 9 + [opposite] * 3, declared=declared)
    assert found.stood_in[0, 0, -2:].tolist() == [True, False]
    assert found.exposure[0, 0, -2:].tolist() == [float(declared), opposite]


def test_a_parked_year_says_nothing_and_declared_use_stands_in() -> None:
    found = one_van(criterion(), rough_share=[0.0] * 12, km=[0] * 12, declared=True)
    assert classes(found)[-1] == "S"
    assert found.stood_in[0, 0, -1]


@pytest.mark.parametrize(("kind", "powertrain"), [("brake", "diesel"), ("engine", "electric")])
def test_what_does_not_apply_is_not_filled_in_by_declared_use(kind: str, powertrain: str) -> None:
    burning = criterion(powertrains=("diesel", "petrol"))
    nothing = [NAN] * 12
    found = one_van(burning, kind=kind, powertrain=powertrain, declared=True, rough_share=nothing)
    assert classes(found) == "N" * 12
    assert found.evidence(0, 0, 11) == ()


def test_the_evidence_names_share_limit_and_origin() -> None:
    found = one_van(criterion(), rough_share=[0.5] * 6 + [0] * 6)
    assert found.evidence(0, 0, 11) == (Exposure("rough", 0.5, 0.5, False, True),)
    assert found.evidence(0, 0, 1) == (Exposure("rough", 0.0, 0.5, True, False),)


def test_one_refuted_condition_settles_a_month_that_was_half_measured() -> None:
    both = criterion(alternatives=((Condition("a", ">=", 1), Condition("b", ">=", 1)),))
    found = one_van(both, a=[0] * 12, b=[NAN] * 12, declared=True)
    assert (found.exposure[0, 0, -1], found.stood_in[0, 0, -1]) == (0.0, False)


def test_one_open_alternative_leaves_a_month_unmeasured() -> None:
    either = criterion(alternatives=((Condition("a", ">=", 1),), (Condition("b", ">=", 1),)))
    assert one_van(either, a=[0] * 12, b=[NAN] * 12).stood_in[0, 0, -1]
    assert one_van(either, a=[NAN] * 12, b=[0] * 12).stood_in[0, 0, -1]
    assert not one_van(either, a=[1] * 12, b=[NAN] * 12).stood_in[0, 0, -1]


def test_strictest_stays_severe_until_the_service_is_done() -> None:
    rough = [1] * 6 + [0] * 14
    strict = np.ones((1, 1, 9), dtype=bool)
    strict[0, 0, 6] = False  # done in the seventh month decided
    for strictest, expected in (([[True]], "S" * 9), (strict, "SSSSSSNNN")):
        found = one_van(criterion(), rough_share=rough, first_month=11, strictest=strictest)
        assert classes(found) == expected


def test_the_first_class_counts_as_a_change() -> None:
    kept = one_van(criterion(), rough_share=[0] * 12, first_month=11, previous=[[0]])
    new = one_van(criterion(), rough_share=[0] * 12, first_month=11)
    assert (kept.changed.tolist(), new.changed.tolist()) == ([[[False]]], [[[True]]])


def test_integer_inputs_are_computed_as_floats() -> None:
    measures = {"km": np.array([[1] * 12]), "rough_share": np.array([[1] * 5 + [0] * 7])}
    found = assess([criterion()], ["engine"], ["diesel"], measures, [[0]])
    assert found.exposure[0, 0, -1] == pytest.approx(5 / 12)


def test_the_lead_in_is_the_longest_window() -> None:
    assert lead_in_months([criterion(), criterion(window_months=24)]) == 24
    assert lead_in_months([]) == 0


@pytest.mark.parametrize(
    ("measures", "message"),
    [
        ({"km": [[1.0]]}, "No such measure: rough_share"),
        ({"km": [[1.0]], "rough_share": [[1.0, 2.0]]}, "rough_share has shape"),
        ({"km": [[1.0], [1.0]], "rough_share": [[1.0], [1.0]]}, "vehicles × months"),
        ({"km": [[-1.0]], "rough_share": [[1.0]]}, "below 0"),
    ],
)
def test_arrays_that_do_not_fit_are_refused(
    measures: dict[str, list[list[float]]], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        assess([criterion()], ["engine"], ["diesel"], measures, [[False]])


@pytest.mark.parametrize(
    "wrong",
    [{"alternatives": ()}, {"alternatives": ((),)}, {"weight": "days"}, {"share_limit": 0.0},
     {"share_limit": 50.0}, {"window_months": 0}],
)  # fmt: skip
def test_a_criterion_that_cannot_be_meant_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="^rough: "):
        criterion(**wrong)


@pytest.mark.parametrize(("comparison", "limit"), [("=", 1.0), (">=", NAN)])
def test_a_condition_that_cannot_be_meant_is_refused(comparison: str, limit: float) -> None:
    with pytest.raises(ValueError, match="^trips: "):
        Condition("trips", comparison, limit)  # type: ignore[arg-type]
