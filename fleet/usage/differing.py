"""Stored states of the usage filter that its readings, followed from the first, do not make."""

from collections.abc import Iterator

import numpy as np

from fleet.calc.arrays import Array
from fleet.usage.measure import METERS_AT_ONCE, STATE_COLUMNS, afresh
from fleet.vehicles.models import Meter

CLOSE = 1e-9  # relative: the same sums in another order


def differing() -> Iterator[str]:
    """Follow every reading of every meter, write nothing, and name each state that differs."""
    ids = np.array(Meter.objects.order_by("pk").values_list("pk", flat=True), dtype=np.int64)
    for begin in range(0, len(ids), METERS_AT_ONCE):
        yield from _differing(ids[begin : begin + METERS_AT_ONCE])


def _differing(meter_ids: Array) -> Iterator[str]:
    meters, state = afresh(meter_ids)
    unlike: dict[int, list[str]] = {}
    for name in STATE_COLUMNS:
        stored, fresh = meters[name], getattr(state, name)
        same = np.isclose(stored, fresh, rtol=CLOSE, atol=CLOSE, equal_nan=True)
        for at in np.flatnonzero(~same).tolist():
            unlike.setdefault(at, []).append(f"{name} {stored[at]:.6g}, by replay {fresh[at]:.6g}")
    rows = Meter.objects.select_related("vehicle").in_bulk(meters["id"][list(unlike)].tolist())
    for at, told in unlike.items():
        meter = rows[int(meters["id"][at])]
        yield f"{meter.vehicle}, meter of {meter.kind}: {'; '.join(told)}."
