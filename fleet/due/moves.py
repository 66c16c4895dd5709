"""Note which due dates moved far, and why: what changed beneath them is what moved them."""

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from django.utils import timezone

from fleet import bulk
from fleet.calc.arrays import Array, BoolArray, FloatArray, IntArray
from fleet.due.models import DueMove

FAR_D = 14  # a smaller move is not told; our choice
KEPT_D = 90  # nobody is told what moved longer ago; our choice
NO_DAY_D = np.datetime64("9999-12-31", "D").astype(np.int64)  # stands where there is no due date
BENEATH = ("rules", "particulars", "usage_km", "usage_h", "calls", "read_s", "season")
Cause = DueMove.Cause


@dataclass(frozen=True)
class Before:
    """What rows rested on before they were computed anew, NaN where they are new.

    ``sort_on_d`` days since 1970; ids of services done and of limits, NaN for none.
    """

    sort_on_d: FloatArray
    anchor_id: FloatArray
    limit_id: FloatArray
    duty_class: Array


@dataclass(frozen=True)
class Moves:
    """Rows that moved, each with what of its own row changed; and their vehicles' stamps."""

    vehicle_id: IntArray
    service_id: IntArray
    from_d: IntArray
    to_d: IntArray
    record: BoolArray
    duty: BoolArray
    limit: BoolArray
    stamps: dict[str, IntArray]


def moved(before: Before, columns: dict[str, Array]) -> Moves:
    """Pick the rows that moved far; call it before their vehicles' stamps are written.

    A service done moves its own date by an interval: that is no news, unless the date comes
    nearer because a record was corrected.
    """
    to_d = columns["sort_on"].astype("M8[D]").astype(np.int64)
    from_d = before.sort_on_d
    dated = np.isfinite(from_d) & (from_d < NO_DAY_D) & (to_d < NO_DAY_D)
    by_d = np.where(dated, to_d - np.nan_to_num(from_d), 0)
    record = _unlike(before.anchor_id, columns["anchor_id"])
    far = np.flatnonzero((np.abs(by_d) > FAR_D) & ~(record & (by_d > 0)))
    vehicle_id = columns["vehicle_id"][far]
    return Moves(
        vehicle_id=vehicle_id,
        service_id=columns["service_id"][far],
        from_d=from_d[far].astype(np.int64),
        to_d=to_d[far],
        record=record[far],
        duty=(before.duty_class != columns["duty_class"])[far],
        limit=_unlike(before.limit_id, columns["limit_id"])[far],
        stamps=_stamps(vehicle_id),
    )


def note(moves: Moves) -> None:
    """Write the moves down; call it in their transaction, after the stamps are written."""
    if not len(moves.vehicle_id):
        return
    now = _stamps(moves.vehicle_id)
    new = {name: moves.stamps[name] != now[name] for name in BENEATH}
    usage = new["usage_km"] | new["usage_h"]
    limit = moves.limit | new["rules"]
    # the first that holds; a call moves dates by itself, and usage is what else moves them
    kinds = [moves.record, moves.duty, new["calls"], limit, new["read_s"], new["season"], usage]
    causes = [Cause.RECORD, Cause.DUTY, Cause.CALL, Cause.LIMIT, Cause.USAGE, Cause.SEASON]
    causes.append(Cause.JUDGED)
    cause = np.select(kinds, [str(one) for one in causes], str(Cause.PARTICULARS))
    at = np.datetime64(timezone.now().replace(tzinfo=None), "s")
    bulk.insert(
        DueMove,
        {
            "vehicle_id": moves.vehicle_id,
            "service_id": moves.service_id,
            "from_on": moves.from_d.astype("M8[D]"),
            "to_on": moves.to_d.astype("M8[D]"),
            "cause": cause.astype(object),
            "noticed_at": np.full(len(cause), at),
        },
    )


def forget(now: datetime) -> None:
    """Take away moves that nobody is told any more."""
    since = now - timedelta(days=KEPT_D)
    if bulk.has(DueMove, "noticed_at < %s", [bulk.instant(since)]):  # on few nights
        DueMove.objects.filter(noticed_at__lt=since).delete()


def _unlike(before: Array, after: Array) -> Array:
    return np.asarray((before != after) & ~(np.isnan(before) & np.isnan(after)))


def _stamps(vehicle_id: IntArray) -> dict[str, Array]:
    """The stamps of the vehicles of some rows, row by row; 0 where none is written."""
    if not len(vehicle_id):
        return {name: np.empty(0) for name in BENEATH}
    where, params = bulk.among("vehicle_id", np.unique(vehicle_id))
    sql = f"""
        SELECT vehicle_id, {", ".join(BENEATH)} FROM due_duestamp WHERE {where}
        ORDER BY vehicle_id"""  # noqa: S608
    found = bulk.read(sql, params, dict.fromkeys(("vehicle_id", *BENEATH), "i8"))
    known: dict[int, int] = {pk: at for at, pk in enumerate(found["vehicle_id"].tolist())}
    row = np.array([known.get(pk, -1) for pk in vehicle_id.tolist()], dtype=np.int64)
    return {name: np.append(found[name], 0)[row] for name in BENEATH}
