"""One reading at a time, written from the words of the method: what the fast judge must equal."""

import math
from typing import Any

PRIORS = {
    "": 0.965, "digits_swapped": 0.004, "miles_for_km": 0.004, "last_digit_lost": 0.003,
    "leading_digit_lost": 0.002, "extra_digit": 0.002, "wrong_digit": 0.004,
    "rolled_back": 0.004, "noted_late": 0.002, "new_meter": 0.002, "jump": 0.004,
}  # fmt: skip
DIGIT_CAUSES = list(PRIORS)[1:7]
MILE = 1.609344


class PlainJudge:
    """The memory of one meter; ``verdicts`` maps a reading's id to what was found."""

    def __init__(self, rate: float, spread: float, top: float, grain: float = 1.0) -> None:
        self.rate, self.spread, self.top, self.g = rate, spread, top, grain
        self.w, self.k, self.v = 0.0, 0.0, 1.0
        self.last: Any = None
        self.prev: Any = None
        self.held: list[Any] = []
        self.since: list[Any] = []  # held, not rejected, since the last accepted one
        self.accepted, self.offset, self.provisional = 0, 0.0, False
        self.verdicts: dict[int, list[Any]] = {}

    def expect(self, base: Any, t: float, w: float, k: float) -> tuple[float, ...]:
        dt = max(t - base["t"], 0.5)
        b0 = 8 / self.spread**2
        r = (k + b0 * self.rate) / (w + b0)
        slow = 0.35**2 * self.v * min(1, 90 / dt) + 1 / (self.spread**-2 + w / 8)
        sd2 = r**2 * (2 * self.v * dt + slow * dt**2) + (15 * self.g) ** 2 + (0.3 * r) ** 2
        return r * dt, math.sqrt(sd2), dt, r

    def density(self, x: float, y0: float, m: float, sd: float, dt: float) -> float:
        if not self.possible(x, y0, dt):
            return -60.0
        z = (x - y0 - m) / sd
        return math.log(3 / 8) - 2.5 * math.log(1 + z * z / 4) - math.log(sd)

    def possible(self, x: float, y0: float, dt: float) -> bool:
        return -self.g - 1e-6 <= x - y0 <= self.top * (dt + 1) + 1e-6

    def explain(self, o: Any, base: Any, w: float, k: float) -> dict[str, tuple[float, float]]:
        m, sd, dt, r = self.expect(base, o["t"], w, k)
        y, y0, unit, c = o["y"], base["y"], o["unit"], o["c"]
        typed = min(round((y - c) / unit, 6), 1e15)

        def big_l(number: float) -> float:
            return self.density(number * unit + c, y0, m, sd, dt)

        whole = int(math.floor(typed))
        n = len(str(whole))
        digits = str(whole)
        terms: dict[str, tuple[float, float]] = {"": (self.density(y, y0, m, sd, dt), math.nan)}
        swaps = [
            typed - whole + int(digits[:i] + digits[i + 1] + digits[i] + digits[i + 2 :])
            for i in range(n - 1)
            if digits[i] != digits[i + 1]
        ]
        if swaps:
            best = max(swaps, key=big_l)
            terms["digits_swapped"] = (big_l(best) - math.log(n - 1), best * unit + c)
        if self.g == 1:
            a, b = c + (y - c) * MILE, c + (y - c) / MILE
            la = self.density(a, y0, m, sd, dt) + math.log(MILE)
            lb = self.density(b, y0, m, sd, dt) - math.log(MILE) - 1
            terms["miles_for_km"] = max((la, a), (lb, b))
        x = 10 * typed + 5
        terms["last_digit_lost"] = (big_l(x) + math.log(10), x * unit + c)
        p = 10**n
        x = typed + p * round(((y0 + m - c) / unit - typed) / p)
        if x > 0 and x != typed:
            terms["leading_digit_lost"] = (big_l(x) - (0.5 if x < 10 * p else 1.5), x * unit + c)
        x = float(int(typed / 10))
        terms["extra_digit"] = (big_l(x) - math.log(10), x * unit + c)
        changes = [
            typed - whole + int(digits[:i] + other + digits[i + 1 :])
            for i in range(n)
            for other in "0123456789"
            if other != digits[i]
        ]
        best = max(changes, key=big_l)
        terms["wrong_digit"] = (big_l(best) - math.log(9 * n), best * unit + c)
        fallen = y - y0 < -self.g - 1e-6
        fresh = m + 6 * sd + 500 * self.g
        if fallen:
            terms["rolled_back"] = (-math.log(max(y0 - c, 100 * self.g)), math.nan)
        if fallen and y >= y0 - max(300 * self.g, 3 * r):
            terms["noted_late"] = (-math.log(300 * self.g), math.nan)
        if y - c < min(0.5 * (y0 - c), fresh):
            terms["new_meter"] = (-math.log(fresh), math.nan)
        if y > y0:
            terms["jump"] = (-math.log(1e6 * self.g), math.nan)
        return {name: (math.log(PRIORS[name]) + lt, x) for name, (lt, x) in terms.items()}

    def accept(self, o: Any, base: Any = None) -> None:
        if base is None:
            base, self.prev = self.last, self.last and {**self.last, "w": self.w, "k": self.k}
            self.accepted += 1
        if base is not None:
            m, sd, dt, _ = self.expect(base, o["t"], self.w, self.k)
            z = (o["y"] - base["y"] - m) / sd
            f = 2 ** (-dt / 90)
            stood = o["y"] - base["y"] < 0.1 * m
            self.w = f * self.w + (0.3 if stood else 1) * dt
            self.k = f * self.k + max(o["y"] - base["y"], 0)
            self.v = min(max(0.9 * self.v + 0.1 * min(z * z, 9), 0.5), 4)
        self.last, self.held, self.since = o, [], []
        self.label(o, 1, "")

    def confirm(self, o: Any) -> None:
        """Accept what lies between the last accepted reading and one that is as expected."""
        least, t0, y0 = self.last["y"] - self.g - 1e-6, self.last["t"], self.last["y"]
        some = [
            h for h in self.since if least <= h["y"] <= o["y"] and t0 < h["t"] < o["t"]
        ]  # fmt: skip
        way = [{"t": t0, "y": y0}, *some, o]
        steps = list(zip(way, way[1:], strict=False))
        rising = all(b["y"] >= a["y"] for a, b in steps[1:-1])
        slow = all(
            b["y"] - a["y"] <= self.top * (max(b["t"] - a["t"], 0.5) + 1) + 1e-6 for a, b in steps
        )
        for h in some if rising and slow else []:
            self.accept(h)
            self.label(h, 1, "confirmed_by_the_next")
        self.accept(o)

    def label(self, o: Any, verdict: int, reason: str, x: float = math.nan) -> None:
        total = o["y"] + self.offset
        self.verdicts[o["id"]] = [verdict, reason, x, total, self.provisional]

    def judge(self, o: Any, now: float) -> None:
        t, y = o["t"], o["y"]
        if o["fixed"] == 1:
            return self.accept(o)
        if o["fixed"] in (2, 3):
            return self.label(o, o["fixed"], "kept")
        if t > now + 1:
            return self.label(o, 3, "future_date")
        if not math.isfinite(y) or y - o["c"] < -1e-6:
            return self.label(o, 3, "not_a_number")
        if self.last is None:
            return self.accept(o)
        return self.compare(o)

    def compare(self, o: Any) -> None:
        t, y, t0, y0 = o["t"], o["y"], self.last["t"], self.last["y"]
        m = self.expect(self.last, t, self.w, self.k)[0]
        for copy in [self.last, *self.held]:
            if t == copy["t"] and abs(y - copy["y"]) <= self.g + 1e-6:
                return self.label(o, 3, "duplicate")
        if y == y0 and 1 - 1e-6 <= t - t0 <= 3 + 1e-6 and m > 60 * self.g:
            self.since.append(o)
            return self.label(o, 2, "duplicate")
        if t == t0 and o["source"] == self.last["source"]:
            return self.label(o, 2, "contradicts_earlier_entry")
        if t < t0:
            return self.label(o, 2, "out_of_order")
        return self.weigh(o)

    def weigh(self, o: Any) -> None:
        m, sd, dt, _ = self.expect(self.last, o["t"], self.w, self.k)
        stands = self.density(o["y"], self.last["y"], m, sd, dt)
        if len(self.held) >= 2 and self.held[-1]["y"] > self.held[-2]["y"]:
            h = self.held[-1]
            mh, sdh, dth, _ = self.expect(h, o["t"], self.w, self.k)
            zh = (o["y"] - h["y"] - mh) / sdh
            lh = self.density(o["y"], h["y"], mh, sdh, dth)
            if o["t"] >= h["t"] and abs(zh) < 2.5 and lh > stands:
                return self.hold(o, 2, "agrees_with_held", math.nan, None)
        rise = o["y"] - self.last["y"]
        if self.possible(o["y"], self.last["y"], dt) and abs((rise - m) / sd) < 2.5:
            return self.confirm(o)
        terms = self.explain(o, self.last, self.w, self.k)
        if self.look_back(o, terms):
            return None
        leader = max(terms, key=lambda name: terms[name][0])
        whole = sum(math.exp(lt - terms[leader][0]) for lt, _ in terms.values())
        if leader == "" and 1 / whole > 0.5:
            return self.accept(o)
        cause = leader or max(list(terms)[1:], key=lambda name: terms[name][0])
        surely = not self.possible(o["y"], self.last["y"], dt) and 1 / whole >= 0.8
        verdict = 3 if surely and leader in DIGIT_CAUSES else 2
        return self.hold(o, verdict, cause, terms[cause][1], leader)

    def look_back(self, o: Any, terms: dict[str, tuple[float, float]]) -> bool:
        leader = max(terms, key=lambda name: terms[name][0])
        suspects = ("rolled_back", "noted_late", "wrong_digit", "digits_swapped")
        if o["y"] >= self.last["y"] or self.prev is None or self.last["fixed"] == 1:
            return False
        if self.held and leader not in suspects:
            return False
        w, k = self.prev["w"], self.prev["k"]
        m, sd, dt, _ = self.expect(self.prev, o["t"], w, k)
        if abs(o["y"] - self.prev["y"] - m) >= 4 * sd:
            return False
        before = self.explain(self.last, self.prev, w, k)
        other = max(list(before)[1:], key=lambda name: before[name][0])
        fits = math.log(0.965) + self.density(o["y"], self.prev["y"], m, sd, dt)
        if before[other][0] + fits <= before[""][0] + terms[leader][0]:
            return False
        self.label(self.last, 2, other, before[other][1])
        self.w, self.k = w, k
        self.accept(o, base=self.prev)
        return True

    def agree(self, a: Any, b: Any) -> bool:
        m, sd, dt, _ = self.expect(a, b["t"], self.w, self.k)
        near = abs(b["y"] - a["y"] - m) < 4 * sd
        rising = b["y"] > a["y"] and b["t"] >= a["t"]
        return near and rising and self.possible(b["y"], a["y"], dt)

    def hold(self, o: Any, verdict: int, reason: str, x: float, leader: str | None) -> None:
        self.label(o, verdict, reason, x)
        self.held.append(o)
        if verdict == 2:
            self.since.append(o)
        three = self.held[-3:]
        if len(three) == 3 and self.agree(three[0], three[1]) and self.agree(three[1], three[2]):
            return self.move(three, leader)
        if leader == "new_meter" and len(self.held) >= 2 and self.agree(*self.held[-2:]):
            return self.move(self.held[-2:], leader)
        return None

    def move(self, row: list[Any], leader: str | None) -> None:
        alone = self.accepted == 1 and not self.provisional and self.last["fixed"] != 1
        if alone and len(row) == 3:
            self.label(self.last, 2, "contradicted_by_later")
            self.w, self.k, self.v, self.last, self.accepted = 0.0, 0.0, 1.0, None, 0
            self.offset = 0.0
            for o in row:
                self.accept(o)
            return
        m = self.expect(self.last, row[0]["t"], self.w, self.k)[0]
        self.offset += self.last["y"] + m - row[0]["y"]
        self.provisional = True
        kind = "new_meter" if leader == "new_meter" else "rolled_back"
        kind = "jump" if row[0]["y"] > self.last["y"] else kind
        for o in row:
            self.label(o, 2, kind)
        self.last, self.prev, self.held, self.since = row[-1], None, [], []
