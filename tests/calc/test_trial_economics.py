"""Cost and break-even. Sources: closed form (M-27); common practice, no source (T-04)."""

import pytest

from fleet.calc.trial_economics import Change, break_even_km, can_pay, per_1000_km


def test_a_dearer_fluid_pays_from_its_break_even_interval() -> None:
    assert break_even_km(120, 10_000, 210) == pytest.approx(17_500)


def test_labour_shortens_the_break_even() -> None:
    assert break_even_km(120 + 80, 10_000, 210 + 80) == pytest.approx(14_500)


def test_thirty_per_cent_more_breaks_even_at_thirty_per_cent_more_km() -> None:
    """T-04: where the fluid is the only cost."""
    usual, tried = Change(1_500, 1_000), Change(1_500, 1_300)
    assert break_even_km(usual.whole_minor, 60_000, tried.whole_minor) == pytest.approx(78_000)


def test_at_break_even_both_cost_the_same_per_km() -> None:
    usual = Change(1_500, 1_200, labour_minor=4_000, materials_minor=250, visit_minor=900)
    tried = Change(1_500, 2_900, labour_minor=4_000, materials_minor=250, visit_minor=900)
    even_km = break_even_km(usual.whole_minor, 60_000, tried.whole_minor)
    costs = per_1000_km(usual.whole_minor, 60_000), per_1000_km(tried.whole_minor, even_km)
    assert costs[0] == pytest.approx(costs[1])
    assert usual.whole_minor == 1_800 + 4_000 + 250 + 900
    assert per_1000_km(usual.whole_minor, 60_000) == pytest.approx(6_950 / 60)


def test_nothing_is_long_enough_against_a_free_change() -> None:
    with pytest.raises(ValueError, match="costs nothing"):
        break_even_km(0, 10_000, 210)


def test_a_dearer_fluid_cannot_pay_where_the_calendar_comes_first() -> None:
    """63,620 km to break even, 36 months: 58.08 km a day (by hand: 63,620 / 1,095.75 d)."""
    told = can_pay(
        [58.0, 58.1, 10.0, 10.0], [36, 36, 36, float("nan")], [60_000] * 4, 63_620 / 60_000
    )
    assert told.tolist() == [False, True, False, True]


def test_each_vehicle_keeps_the_interval_of_its_own_duty_class() -> None:
    """At 50 km a day 36 months reach 54,788 km: 1.2 × 40,000 severe, not 1.2 × 60,000 normal."""
    assert can_pay([50, 50], [36, 36], [40_000, 60_000], 1.2).tolist() == [True, False]
