"""An odd reading looked at again, against every digit tried at every place."""

import math

import numpy as np
import pytest

from fleet.calc.expectations import Step
from fleet.calc.explanations import (
    JUMP,
    NEW_METER,
    PRIORS,
    ROLLED,
    Typed,
    explain,
)
from fleet.calc.second_look import (
    ALIKE,
    AS_TOTAL,
    MISSING,
    SLIPS,
    THOUSANDS,
    _one_missing,
    _thousands,
    between,
    look_again,
)
from tests.calc.test_explanations_plain import Meter, cases


def steps(meters: list[Meter]) -> Step:
    column = {name: np.array([getattr(one, name) for one in meters])
              for name in ("base", "mean", "sd", "top", "grain", "rate")}  # fmt: skip
    one = np.ones(len(meters))
    return Step(column["base"], one, column["rate"], column["mean"], column["sd"], column["top"],
                column["grain"])  # fmt: skip


def test_a_digit_left_out_is_the_best_of_ten_at_each_place() -> None:
    given = list(cases(11, 200))
    typed = Typed(*(np.array([case[at] for case in given]) for at in (1, 2, 3)))
    log, km = _one_missing(steps([case[0] for case in given]), typed)
    for row, (meter, value, unit, offset) in enumerate(given):
        digits = str(math.floor(round((value - offset) / unit, 6)))
        tried = {
            float(digits[:at] + other + digits[at:])
            for at in range(len(digits) + 1)
            for other in "0123456789"
        } - {float(digits)}
        totals = [one * unit + offset for one in tried]
        possible = [one for one in totals if meter.possible(one)]
        if not possible:
            assert log[row] == pytest.approx(-60 - math.log(len(digits) + 1))
            continue
        best = min(possible, key=lambda one: abs(one - meter.base - meter.mean))
        assert km[row] == pytest.approx(best)
        assert log[row] == pytest.approx(meter.log(best) - math.log(len(digits) + 1))


def test_thousands_are_meant_by_less_than_a_thousand_only() -> None:
    meter = Meter(78_000, 10, 40, 900, 1)
    values = np.array([78.31, 78.0, 999.999, 1_000.0])
    log, km = _thousands(steps([meter] * 4), Typed(values, np.ones(4), np.zeros(4)))
    assert km.tolist() == [78_310, 78_000, 999_999, 1_000_000]
    assert log[:2].tolist() == pytest.approx([meter.log(78_310), meter.log(78_000)])
    assert log[2] == -60
    assert log[3] == -np.inf


@pytest.mark.parametrize("goes_on", [True, False])
def test_candidates_are_the_likely_slips_told_once_each_likeliest_first(goes_on: bool) -> None:
    given = list(cases(5, 250))
    step = steps([case[0] for case in given])
    typed = Typed(*(np.array([case[at] for case in given]) for at in (1, 2, 3)))
    fitting_km = np.array([case[0].base + case[0].mean for case in given])
    before_km = np.where(np.arange(len(given)) % 3 == 0, typed.km - fitting_km, 0.0)
    goes = np.full(len(given), goes_on)
    weighed, found = explain(step, typed), look_again(step, typed, goes, before_km)
    missing, thousands = _one_missing(step, typed), _thousands(step, typed)
    told = 0
    for row, (meter, _, unit, _) in enumerate(given):
        log = dict(enumerate(weighed.log[row].tolist()))
        km = dict(enumerate(weighed.km[row].tolist()))
        # the priors of a last digit lost and of a wrong one stand for the two
        log |= {MISSING: missing[0][row] + math.log(0.003), THOUSANDS: thousands[0][row]
                + math.log(0.004)}  # fmt: skip
        km |= {MISSING: missing[1][row], THOUSANDS: thousands[1][row]}
        own_km = float(typed.km[row] - before_km[row])  # of a total; as likely as a wrong digit
        log[AS_TOTAL] = meter.log(own_km) + math.log(0.004) if before_km[row] else -np.inf
        km[AS_TOTAL] = own_km
        fit = [one for one in SLIPS if log[one] > -np.inf and meter.expects(km[one])]
        kept: list[float] = []
        for one in sorted(fit, key=lambda at: -log[at]):
            if all(abs(km[one] - other) > 5.5 * unit * meter.grain for other in kept):
                kept.append(km[one])
        assert [one.km for one in found[row].candidates] == pytest.approx(kept)
        held = {at for at in range(11) if at not in SLIPS}
        held -= {ROLLED, NEW_METER, JUMP} if goes_on else set()
        best = max((log[at] for at in held), default=-np.inf)
        slip = bool(kept and max(log[at] for at in fit) > best)
        assert (found[row].slip is not None) is slip
        if slip:
            assert found[row].slip == found[row].candidates[0]
        middle, off = meter.base + meter.mean, 2.5 * meter.sd
        assert found[row].likely == pytest.approx(
            (max(middle - off, meter.base), min(middle + off, meter.base + meter.top))
        )
        told += len(kept)
    assert told > 60
    assert (ALIKE, PRIORS[3], PRIORS[6]) == (5.5, 0.003, 0.004)


def test_between_two_readings_what_is_expected_is_tied_at_both() -> None:
    meter = Meter(10_000, 10, 100, 900, 1)
    step = steps([meter] * 5)
    step.dt_d[:] = 10
    after_d = np.array([40.0, 10.0, 5.0, np.nan, 20.0])
    after_km = np.array([14_000.0, 11_000.0, 10_600.0, np.nan, 9_990.0])
    found = between(step, after_d, after_km)
    # a quarter of 4,000; all; all, as the later one cannot come before; as it was; half of -10
    assert found.mean_km.tolist() == [1_000, 1_000, 600, 1_000, -5]
    expected = [meter.sd * math.sqrt(0.75), 15, 15, meter.sd, meter.sd * math.sqrt(0.5)]
    assert found.sd_km.tolist() == pytest.approx(expected)
    assert found.top_km.tolist() == [4_000, 1_000, 600, meter.top, 0]
