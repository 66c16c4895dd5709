"""Parts that break and fluid poured in, against SciPy's own laws and simulation."""

import numpy as np
import pytest
from scipy import stats

from fleet.calc.breakage import broken, event_rate, fading, top_ups
from fleet.calc.convolve import Distribution


def exactly(n: int) -> Distribution:
    return Distribution(1, np.eye(n + 1)[n])


def test_broken_pieces_are_beta_binomial() -> None:
    # prior 1 and 4, of 50 disturbed 12 broke
    found = broken(exactly(40), 12, 38)
    expected = stats.betabinom.pmf(range(len(found.pmf)), 40, 13, 42)
    assert found.pmf == pytest.approx(expected, abs=1e-10)


def test_an_uncertain_number_of_pieces_is_averaged_over() -> None:
    halves = Distribution(10, np.array([0, 0.5, 0.5]))
    expected = (
        stats.betabinom.pmf(range(21), 10, 1, 4) + stats.betabinom.pmf(range(21), 20, 1, 4)
    ) / 2
    assert broken(halves, 0, 0).pmf == pytest.approx(expected, abs=1e-10)


def coverage_at_80(of_law: object, seed: int = 1) -> float:
    """Randomised PIT over fleets, each with its own share of broken clips and little history."""
    rng = np.random.default_rng(seed)
    pit = []
    for _ in range(400):
        share = rng.beta(1, 4)
        seen = rng.binomial(30, share)
        law = of_law(seen)  # type: ignore[operator]
        y = int(rng.binomial(120, share))
        pit.append(law.below(y) + rng.random() * law.at(y))
    return float(np.mean(np.array(pit) <= 0.8))


def test_forecasts_of_broken_clips_are_covered() -> None:
    assert 0.76 <= coverage_at_80(lambda seen: broken(exactly(120), seen, 30 - seen)) <= 0.84


def test_independent_breakages_would_not_be_covered() -> None:
    def independent(seen: int) -> Distribution:
        return Distribution(1, stats.binom.pmf(range(121), 120, (1 + seen) / 35))

    assert coverage_at_80(independent) < 0.76  # measured for the method: .72


def test_a_record_counts_half_after_half_a_year() -> None:
    assert fading([0, 180, 360]) == pytest.approx([1, 0.5, 0.25])


def test_the_rate_begins_with_half_an_event_in_thirty_days() -> None:
    assert event_rate(0, 0) == (0.5, 1)
    assert event_rate(6, 40) == (6.5, 40)


def test_top_ups_of_one_size_are_negative_binomial() -> None:
    found = top_ups(6.5, 40.0, 12.0, [500], [1])
    number = stats.nbinom.pmf(np.arange(len(found.pmf)), 6.5, 40 / 52)
    assert found.step == 500
    assert found.pmf == pytest.approx(number, abs=1e-10)


def test_many_rare_top_ups_at_once_are_as_likely_as_they_are() -> None:
    # a hundredth of an event is expected, and where there is one there are often more
    found = top_ups(0.01, 1.0, 1.0, [1, 100], [0, 1])
    number = stats.nbinom.pmf(np.arange(8), 0.01, 0.5)
    assert number[4] == pytest.approx(1.6e-4, rel=0.05)
    assert [found.at(100 * events) for events in range(8)] == pytest.approx(number, abs=1e-10)


def test_top_ups_of_several_sizes_are_compound() -> None:
    found = top_ups(6.5, 40.0, 12.0, [500, 1000], [3, 1])
    rng = np.random.default_rng(3)
    number = rng.poisson(rng.gamma(6.5, 1 / 40, 200_000) * 12)
    large = rng.binomial(number, 0.25)
    drawn = 500 * number + 500 * large
    assert found.mean == pytest.approx(drawn.mean(), rel=0.01)
    assert found.quantile(0.95) == pytest.approx(np.quantile(drawn, 0.95), abs=500)


def test_nothing_is_forecast_without_records_or_vehicles() -> None:
    assert top_ups(0.5, 1.0, 12.0, [], []).mean == 0
    assert top_ups(0.5, 1.0, 0.0, [500], [1]).mean == 0
