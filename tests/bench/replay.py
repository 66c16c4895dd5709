"""Replaying a fleet's history: verdicts and usage, against a plain loop over the same readings."""

import math
import time
from collections.abc import Callable

import numpy as np

from fleet.calc import usage, verdicts
from fleet.calc.usage import Events
from fleet.calc.verdicts import Batch, Memory
from tests.bench.measure import report
from tests.calc.plain_judge import PlainJudge

SAMPLE = 300


def run(vehicles: int, readings: int = 52) -> None:
    """Judge and filter every reading; a loop does the same on a sample."""
    rng = np.random.default_rng(3)
    steps = rng.gamma(4, 600 / 4, (vehicles, readings))
    km = 50_000 + np.cumsum(steps, axis=1).round(1)
    at_d = np.broadcast_to(20_000.0 + 7 * np.arange(readings), km.shape)
    for share in (0.0, 0.05):
        typed = np.where(rng.random(km.shape) < share, np.round(km * 10), km)
        name = f"replay with {share:.0%} errors against a loop"
        report(name, _ratio(at_d, typed), 30, least=True)


def _ratio(at_d: np.ndarray, typed: np.ndarray) -> float:
    ours_s = min(_seconds(lambda: _ours(at_d, typed)) for _ in range(3)) / len(typed)
    loop_s = _seconds(lambda: [_plain(at_d[row], typed[row]) for row in range(SAMPLE)]) / SAMPLE
    return loop_s / ours_s


def _seconds(work: Callable[[], object]) -> float:
    """CPU seconds: the machine may be busy with other things."""
    begun = time.process_time()
    work()
    return time.process_time() - begun


def _ours(at_d: np.ndarray, km: np.ndarray) -> None:
    vehicles, readings = km.shape
    start = np.arange(vehicles + 1) * readings
    memory = Memory.start(vehicles, 90.0, 0.6, 900.0)
    batch = Batch.of(start, np.arange(km.size), at_d.ravel(), km.ravel())
    found = verdicts.judge(memory, batch, 40_000.0)
    taken = found.verdict == verdicts.ACCEPTED
    taken[start[:-1]] = False  # the first one starts the state
    offsets = np.concatenate(([0], np.cumsum(taken.reshape(vehicles, readings).sum(axis=1))))
    state = usage.start(at_d[:, 0], km[:, 0], 90.0, 0.6)
    usage.advance(state, Events.of(offsets, at_d.ravel()[taken], km.ravel()[taken]))


def _plain(at_d: np.ndarray, km: np.ndarray) -> None:
    judge = PlainJudge(90.0, 0.6, 900.0)
    follow = PlainFilter(90.0, 0.6)
    for number, (at, value) in enumerate(zip(at_d.tolist(), km.tolist(), strict=True)):
        reading = {"id": number, "t": at, "y": value, "unit": 1.0, "c": 0.0, "source": 0}
        judge.judge(reading | {"fixed": 0}, 40_000.0)
        if judge.verdicts[number][0] == verdicts.ACCEPTED:
            follow.take(at, value)


class PlainFilter:
    """The usage filter of one meter in plain floats, as a loop over readings would have it."""

    def __init__(self, rate: float, spread: float) -> None:
        self.rate, self.mu, self.u = rate, 1.0, 0.0
        self.p11, self.p12, self.p22 = spread**2, 0.0, 0.28**2
        self.sw = self.se = self.idle = 0.0
        self.at = self.km = math.nan

    def take(self, at: float, km: float) -> None:
        if math.isnan(self.at):
            self.at, self.km = at, km
            return
        days, tau = at - self.at, 80.0
        c2 = min(max(self.mu, 0.25), 4.0) ** 2
        a = math.exp(-days / tau)
        g = (1 - a) * tau / days
        s2 = 0.28**2 * c2
        within = max(s2 * (2 * tau / days * (1 - g) - g * g), 0.0)
        var = self.p11 + 2 * g * self.p12 + g * g * self.p22 + within
        var += c2 * (1.2 / days + 1e-4 * days / 3)
        x = max(km - self.km, 0.0) / (days * self.rate)
        error = x - self.mu - g * self.u
        t = self.lesson(x, g, error, var, days)
        k1 = self.p11 + g * self.p12 + 1e-4 * c2 * days / 2
        k2 = a * (self.p12 + g * self.p22) + s2 * (1 - a) ** 2 * tau / days
        self.mu = max(self.mu + t * k1 / var * error, 0.02)
        self.u = a * self.u + t * k2 / var * error
        self.p11 = max(self.p11 + 1e-4 * c2 * days - t * k1 * k1 / var, 1e-8)
        self.p22 = max(a * a * self.p22 + s2 * (1 - a * a) - t * k2 * k2 / var, 1e-8)
        bound = 0.999 * math.sqrt(self.p11 * self.p22)
        self.p12 = min(max(a * self.p12 - t * k1 * k2 / var, -bound), bound)
        fade = 2 ** (-days / 365)
        self.sw, self.se = fade * self.sw + t, fade * self.se + t * min(error * error / var, 25)
        self.at, self.km = at, km

    def lesson(self, x: float, g: float, error: float, var: float, days: float) -> float:
        """Weight of what was seen: three tenths while the vehicle stands."""
        stood, hardly = self.idle > 0, x < 0.1 * max(self.mu + g * self.u, 0.05 * self.mu)
        factor = min(max((10 + self.se) / (10 + self.sw), 0.35), 4.0)
        laid_up = hardly and (stood or error <= -1.5 * math.sqrt(var * factor))
        self.idle = self.idle + days if laid_up else 0.0
        return 0.3 if laid_up or stood else 1.0
