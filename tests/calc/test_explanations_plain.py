"""Explanations of odd readings against a plain account: every candidate tried, one by one."""

import math
from collections.abc import Iterator

import numpy as np
import pytest

from fleet.calc.expectations import Base, Step
from fleet.calc.explanations import (
    EXTRA,
    JUMP,
    LAST,
    LATE,
    LEADING,
    NEW_METER,
    PRIORS,
    ROLLED,
    STANDS,
    SWAP,
    UNIT,
    WRONG,
    Typed,
    Weighed,
    digit_count,
    explain,
)

MILE = 1.609344
IMPOSSIBLE = -60.0


class Meter:
    """One meter a number of days after its last accepted reading, reckoned by hand."""

    def __init__(self, base: float, days: float, rate: float, top: float, grain: float) -> None:
        self.base, self.mean, self.grain, self.rate = base, rate * days, grain, rate
        self.top = top * (days + 1)
        # method.md section 3, without a history: rate of the class, spread .4, scatter 1
        relative = 0.35**2 * min(1, 90 / days) + 0.4**2
        days2 = (2 + relative * days) * days + 0.3**2
        self.sd = math.sqrt(rate**2 * days2 + (15 * grain) ** 2)

    def possible(self, km: float) -> bool:
        return -self.grain - 1e-6 <= km - self.base <= self.top + 1e-6

    def log(self, km: float) -> float:
        """Of Student's t with four degrees of freedom; -60 where it cannot be."""
        if not self.possible(km):
            return IMPOSSIBLE
        z = (km - self.base - self.mean) / self.sd
        return math.log(0.375) - 2.5 * math.log(1 + z * z / 4) - math.log(self.sd)

    def expects(self, km: float) -> bool:
        return self.possible(km) and abs(km - self.base - self.mean) < 2.5 * self.sd


def nearest(meter: Meter, candidates: Iterator[float]) -> tuple[float, float]:
    """Of those that are possible the one nearest to the mean, else any; its log and value."""
    found = sorted(
        (not meter.possible(km), abs(km - meter.base - meter.mean), km) for km in candidates
    )
    return (meter.log(found[0][2]), found[0][2]) if found else (-math.inf, math.nan)


def plain(meter: Meter, km: float, unit_km: float, offset_km: float) -> dict[int, tuple]:
    """Log of the density and likely value of each explanation, without its prior."""
    number = round((km - offset_km) / unit_km, 6)
    whole, digits = math.floor(number), str(math.floor(number))

    def total(value: float) -> float:
        return value * unit_km + offset_km

    def changed(text: str) -> float:
        return total(int(text) + number - whole)

    pairs = (
        changed(digits[:at] + digits[at + 1] + digits[at] + digits[at + 2 :])
        for at in range(len(digits) - 1)
        if digits[at] != digits[at + 1]
    )
    others = (
        changed(digits[:at] + other + digits[at + 1 :])
        for at in range(len(digits))
        for other in "0123456789"
        if other != digits[at]
    )
    swap, wrong = nearest(meter, pairs), nearest(meter, others)
    larger, smaller = (km - offset_km) * MILE + offset_km, (km - offset_km) / MILE + offset_km
    up = meter.log(larger) + math.log(MILE)
    down = meter.log(smaller) - math.log(MILE) - 1
    lost, more = total(10 * number + 5), total(math.floor(number / 10))
    scale = 10 ** len(digits)
    missing = round(((meter.base + meter.mean - offset_km) / unit_km - number) / scale)
    full = number + scale * missing
    leading = meter.log(total(full)) - (0.5 if full < 10 * scale else 1.5)
    return {
        STANDS: (meter.log(km), math.nan),
        SWAP: (swap[0] - math.log(max(len(digits) - 1, 1)), swap[1]),
        UNIT: (max(up, down) if meter.grain == 1 else -math.inf, larger if up >= down else smaller),
        LAST: (meter.log(lost) + math.log(10), lost),
        LEADING: (leading if missing and full > 0 else -math.inf, total(full)),
        EXTRA: (meter.log(more) - math.log(10), more),
        WRONG: (wrong[0] - math.log(9 * len(digits)), wrong[1]),
    } | of_the_meter(meter, km, offset_km)


def of_the_meter(meter: Meter, km: float, offset_km: float) -> dict[int, tuple]:
    """Flat densities over a span: 300 and 500 km, or three days, for what is not a figure."""
    grain, own, own_base = meter.grain, km - offset_km, meter.base - offset_km
    fallen = km - meter.base < -grain - 1e-6
    fresh = meter.mean + 6 * meter.sd + 500 * grain
    reach = max(300 * grain, 3 * meter.rate)
    holds = {
        ROLLED: (fallen, max(own_base, 100 * grain)),
        LATE: (fallen and km >= meter.base - reach, 300 * grain),
        NEW_METER: (own < min(0.5 * own_base, fresh), fresh),
        JUMP: (km > meter.base, 1e6 * grain),
    }
    return {
        column: (-math.log(span) if held else -math.inf, math.nan)
        for column, (held, span) in holds.items()
    }


def cases(seed: int, count: int) -> Iterator[tuple[Meter, float, float, float]]:
    """Meters and values as people may type them: sound, or with one slip or another."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        grain = float(rng.choice([1.0, 0.1], p=[0.8, 0.2]))
        unit = MILE if grain == 1 and rng.random() < 0.3 else 1.0
        offset = float(rng.choice([0.0, 0.0, 40_000.0])) if grain == 1 else 0.0
        rate = float(rng.uniform(5, 300)) if grain == 1 else float(rng.uniform(1, 15))
        days = float(rng.choice([1, 3, 7, 30, 120]))
        base = offset + float(rng.choice([8, 95, 400, 9_990, 99_500, 123_456])) * unit
        meter = Meter(base, days, rate, 900.0 if grain == 1 else 24.0, grain)
        sound = round((base - offset + rate * days * rng.uniform(0.5, 1.6)) / unit, 1)
        digits = str(int(sound))
        at = int(rng.integers(len(digits)))
        number = [
            sound,
            float(int(sound) // 10),
            float(int(sound) * 10 + int(rng.integers(10))),
            float(digits[1:] or 0),
            float(digits[:at] + str(int(rng.integers(10))) + digits[at + 1 :]),
            float(digits[:at] + digits[at:][1::-1] + digits[at + 2 :]),
            round(sound * float(rng.choice([MILE, 1 / MILE])), 1),
            round(float(rng.uniform(0, 400)), 1),
            max(round(sound - float(rng.uniform(0, 900)), 1), 0.0),
            sound + float(rng.integers(5_000, 200_000)),
        ][int(rng.integers(10))]
        yield meter, number * unit + offset, unit, offset


def test_each_explanation_is_weighed_as_if_every_candidate_were_tried() -> None:
    given = list(cases(4, 500))
    one = np.ones(len(given))
    meters = [meter for meter, *_ in given]
    column = {name: np.array([getattr(meter, name) for meter in meters])
              for name in ("base", "mean", "sd", "top", "grain", "rate")}  # fmt: skip
    step = Step(column["base"], one, column["rate"], column["mean"], column["sd"], column["top"],
                column["grain"])  # fmt: skip
    km, unit, offset = (np.array([case[at] for case in given]) for at in (1, 2, 3))
    found = explain(step, Typed(km, unit, offset))
    told: dict[int, int] = dict.fromkeys(range(11), 0)
    for row, (meter, *value) in enumerate(given):
        for explanation, (log, likely) in plain(meter, *value).items():
            expected = log + math.log(PRIORS[explanation])
            assert found.log[row, explanation] == pytest.approx(expected, abs=1e-6), (
                row, explanation, value)  # fmt: skip
            sure = np.isfinite(log) and np.isfinite(likely) and meter.expects(likely)
            told[explanation] += bool(sure)
            if sure:
                assert found.km[row, explanation] == pytest.approx(likely, abs=1e-6)
            elif np.isfinite(log):  # what cannot be is never offered
                assert np.isnan(found.km[row, explanation])
    assert all(told[explanation] > 5 for explanation in (SWAP, UNIT, LAST, LEADING, EXTRA, WRONG))


def test_what_a_meter_expects_is_reckoned_as_above() -> None:
    meter, none, one = Meter(1_000, 120, 50, 900, 1), np.zeros(1), np.ones(1)
    step = Base(none, 1_000 * one, none, none, one, 50 * one, 0.4 * one, 900 * one, one).step(
        120 * one
    )
    assert (step.mean_km[0], step.top_km[0]) == (meter.mean, meter.top)
    assert step.sd_km[0] == pytest.approx(meter.sd)
    edge = np.array([998.9, 999.0, 1_000 + 121 * 900, 1_000.1 + 121 * 900])
    assert step.possible(edge).tolist() == [False, True, True, False]
    assert step.fallen(edge).tolist() == [True, False, False, False]


@pytest.mark.parametrize(
    ("number", "digits"),
    [(0, 1), (0.9, 1), (9, 1), (9.99, 1), (10, 2), (99, 2), (100, 3), (123_456.7, 6), (1e15, 16)],
)
def test_digits_are_counted_before_the_point(number: float, digits: int) -> None:
    assert digit_count(np.array([number])).tolist() == [digits]


def test_shares_are_those_of_the_explanations_asked_about() -> None:
    # weights 1, 2, 5 and nothing for the others
    log = np.full((1, 11), -np.inf)
    log[0, [STANDS, SWAP, JUMP]] = np.log([1, 2, 5])
    km = np.full((1, 11), np.nan)
    km[0, SWAP] = 77
    weighed = Weighed(log, km)
    assert (weighed.leader.tolist(), weighed.best_other.tolist()) == ([JUMP], [JUMP])
    assert weighed.share(np.array([JUMP]))[0] == pytest.approx(5 / 8)
    assert weighed.share(np.array([JUMP]), SWAP)[0] == pytest.approx(5 / 7)
    assert weighed.share(np.array([STANDS]))[0] == pytest.approx(1 / 8)
    assert weighed.suggestion(np.array([SWAP])).tolist() == [77]
    assert weighed.take(np.array([0])).at(np.array([SWAP]))[0] == pytest.approx(math.log(2))


def test_numbers_are_those_typed_within_what_a_meter_can_show() -> None:
    typed = Typed(np.array([100.0, -5, 1e18, 16_093.44 + 40]), np.array([1.0, 1, 1, MILE]),
                  np.array([0.0, 0, 0, 40]))  # fmt: skip
    assert typed.number.tolist() == [100, 0, 1e15, 10_000]
    assert typed.in_km(np.array([1.0, 2, 3, 10_000])).tolist() == [1, 2, 3, 16_133.44]
    assert typed.in_km(np.full((4, 2), 10.0))[3].tolist() == [56.09344] * 2
    assert typed.as_number(typed.km)[3] == pytest.approx(10_000)
