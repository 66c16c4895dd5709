from hypothesis import given
from hypothesis import strategies as st

from fleet.calc.costs import JobCost, add_up, labour, split

WEIGHTS = st.lists(st.integers(0, 500), min_size=1, max_size=6)


@given(st.integers(-100_000, 100_000), WEIGHTS)
def test_parts_add_up_to_the_whole(amount: int, weights: list[int]) -> None:
    parts = split(amount, weights)
    assert sum(parts) == amount
    whole = sum(weights) or len(weights)
    fair = [abs(amount) * (weight if sum(weights) else 1) / whole for weight in weights]
    assert all(abs(abs(part) - share) < 1 for part, share in zip(parts, fair, strict=True))


def test_costs_are_held_against_the_km() -> None:
    # by hand: 40.00 + 60.00 + 0.00 over 2,500 km is 40.00 per 1,000 km
    found = add_up([JobCost(4_000, 6_000, 0), JobCost(0, 0, 0, ("no labour minutes",))], 2_500)
    assert (found.total_minor, found.per_1000_km_minor, found.jobs) == (10_000, 4_000, 2)
    assert found.missing == ("no labour minutes (1 job)",)


def test_without_km_there_is_no_rate() -> None:
    found = add_up([JobCost(1, 1, 1)], 0)
    assert found.per_1000_km_minor is None
    assert found.missing == ("no km driven between accepted readings",)


def test_labour_is_minutes_at_a_rate() -> None:
    assert labour(40, 6_600) == 4_400  # by hand: two thirds of 66.00
    assert labour(1, 90) == 2  # by hand: 1.5 rounds up
