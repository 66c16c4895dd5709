"""How much of a service's life each duty class has used since it was last done."""

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from fleet.calc.arrays import Array, IntArray
from fleet.calc.life import days_allowed
from fleet.due import lives
from fleet.due.gather import Chunk, gather
from fleet.due.lives import Stretches
from fleet.due.models import Service
from fleet.due.rules import SEVERE, Rules, gather_depots, gather_rules
from fleet.duty.models import DutyClass
from fleet.vehicles.models import Vehicle


@dataclass(frozen=True)
class Part:
    """What one duty class used while it was in force."""

    duty_class: str
    from_on: date
    until_on: date | None  # last day; None: still in force
    life_used: float


def split(vehicle: Vehicle, service: Service, today: date) -> list[Part]:
    """Life used by the limit that has used most of it, class after class; empty if unknown."""
    rules = gather_rules()
    chunk = gather(np.array([vehicle.pk]), rules, gather_depots(), today)
    picked = np.flatnonzero(rules.service_id[chunk.rows.service] == service.pk)
    if not len(picked) or np.isnat(chunk.rows.anchor_on[picked]).any():
        return []
    stretches = lives.stretches_of(chunk, picked, rules)
    shares = [_by_meter(chunk, picked, kind, stretches, rules) for kind in ("km", "h")] + [
        _by_months(stretches, rules, today)
    ]
    most = max(shares, key=lambda one: float(np.nansum(one)))
    return _parts(stretches, np.nan_to_num(most))


def _by_meter(
    chunk: Chunk, picked: IntArray, kind: str, stretches: Stretches, rules: Rules
) -> Array:
    grown = lives.by_meter(chunk, picked, kind, stretches, rules)
    return np.asarray((grown.end - grown.begin) / grown.interval)


def _by_months(stretches: Stretches, rules: Rules, today: date) -> Array:
    from_on, until = stretches.from_d.astype("M8[D]"), stretches.until_on()
    until[stretches.last] = np.datetime64(today, "D")
    months = lives.figure(rules, "limit_months", stretches.limit)
    spent_d = (until - from_on).astype(np.float64)
    return np.asarray(np.maximum(spent_d, 0.0) / days_allowed(from_on, months))


def _parts(stretches: Stretches, share: Array) -> list[Part]:
    """Stretches with their shares, those of one class after another joined."""
    begins = [one.item() for one in stretches.from_d.astype("M8[D]")]
    found: list[Part] = []
    for at, begin in enumerate(begins):
        severe = stretches.duty_class[at] == SEVERE
        name = (DutyClass.SEVERE if severe else DutyClass.NORMAL).value
        end = begins[at + 1] - timedelta(days=1) if at + 1 < len(begins) else None
        used = float(share[at])
        if found and found[-1].duty_class == name:
            before = found.pop()
            begin, used = before.from_on, used + before.life_used
        found.append(Part(name, begin, end, used))
    return found


def words(parts: list[Part]) -> str:
    """In words, e.g. "111 % in normal duty to 31 Oct 2025, 7 % in severe since"; empty for one."""
    if len(parts) < 2:
        return ""
    said: list[str] = []
    for part in parts:
        until = "since" if part.until_on is None else f"to {_day(part.until_on)}"
        duty = " duty" if not said else ""
        said.append(f"{100 * part.life_used:.0f} % in {part.duty_class}{duty} {until}")
    return f"Life used: {', '.join(said)}."


def _day(on: date) -> str:
    return f"{on.day} {on:%b %Y}"
