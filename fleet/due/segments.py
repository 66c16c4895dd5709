"""Duty classes over time: which class was in force in each compartment from which day on."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from fleet import bulk
from fleet.calc.arrays import Array, BoolArray, IntArray
from fleet.calc.stamps import stamp
from fleet.due.rules import NORMAL, SEVERE

LONG_AGO_D = -1_000_000  # the first class known counts for all days before it, too
COMPARTMENTS = 2**31


@dataclass(frozen=True)
class Segments:
    """Successive classes of compartments, in order of key and day.

    ``key`` joins vehicle and compartment in one number.
    """

    key: IntArray  # (s,)
    from_d: IntArray  # (s,) days since 1970, the first of each key far in the past
    duty_class: IntArray  # (s,)

    def begun(self, on: date) -> "Segments":
        """Those that had begun by a day: what begins later is not known to come."""
        known = self.from_d <= np.datetime64(on, "D").astype(np.int64)
        return Segments(self.key[known], self.from_d[known], self.duty_class[known])

    def stamp_of(self, vehicle_id: IntArray, compartment_id: IntArray) -> Array:
        """One number per compartment that changes with any of its classes."""
        each = stamp(self.from_d, self.duty_class).view(np.uint64)
        total = np.concatenate((np.zeros(1, np.uint64), np.cumsum(each, dtype=np.uint64)))
        first, last = self.bounds(_key(vehicle_id, compartment_id))
        return np.asarray((total[last] - total[first]).view(np.int64))

    def bounds(self, key: IntArray) -> tuple[Array, Array]:
        """Where the segments of each key begin and end."""
        return np.searchsorted(self.key, key), np.searchsorted(self.key, key, side="right")

    def stretches(
        self, vehicle_id: IntArray, compartment_id: IntArray, anchor_d: Array
    ) -> tuple[Array, Array, Array]:
        """Classes in force since each anchor, as rows of stretches.

        Returns
        -------
        tuple of ndarray
            Offsets (n + 1,), first day of each stretch (the anchor for the first) and its class.
            A compartment that nobody assessed is normal throughout.
        """
        first, last = self.bounds(_key(vehicle_id, compartment_id))
        at_anchor = _last_not_after(self.from_d, first, last, anchor_d)
        count = np.maximum(last - at_anchor, 1)
        offsets = np.concatenate(([0], np.cumsum(count)))
        which = np.arange(offsets[-1]) - np.repeat(offsets[:-1] - at_anchor, count)
        known = np.repeat(last > first, count)
        which = np.where(known, which, len(self.key))  # what is appended there
        from_d = np.append(self.from_d, 0)[which]
        from_d[offsets[:-1]] = anchor_d
        return offsets, from_d, np.append(self.duty_class, NORMAL)[which]


def _key(vehicle_id: IntArray, compartment_id: IntArray) -> Array:
    return np.asarray(vehicle_id.astype(np.int64) * COMPARTMENTS + compartment_id)


def _last_not_after(from_d: IntArray, first: Array, last: Array, anchor_d: Array) -> Array:
    """Last segment of first … last − 1 that begins not after the anchor."""
    at = first.copy()
    for _ in range(int((last - first).max(initial=0))):
        ahead = np.minimum(at + 1, max(len(from_d) - 1, 0))
        moves = (at + 1 < last) & (from_d[ahead] <= anchor_d)
        if not moves.any():
            break
        at = np.where(moves, at + 1, at)
    return at


def gather(vehicle_ids: IntArray, today: date) -> Segments:
    """Read assessments, lay overrides over them and join equal neighbours.

    What begins after today (the end of an override) is not known to come: it is left out.
    """
    found = _read(vehicle_ids)
    assessed = np.isnan(found["end_d"])
    columns = _key(found["vehicle_id"], found["compartment_id"]), found["from_d"], found["class"]
    key, from_d, duty_class = (column[assessed] for column in columns)
    order = np.lexsort((from_d, key))
    key, from_d, duty_class = key[order], from_d[order], duty_class[order]
    from_d[np.flatnonzero(np.diff(key, prepend=-1))] = LONG_AGO_D
    given = (*columns, found["end_d"])
    overrides = [column[~assessed].astype(np.int64) for column in given]
    return _merged(*_overlaid(key, from_d, duty_class, overrides)).begun(today)


def _read(vehicle_ids: IntArray) -> dict[str, Array]:
    """Assessments, without an end, and overrides, in the order in which these are laid over."""
    where, params = bulk.among("vehicle_id", vehicle_ids)
    from_d, end_d = bulk.day_number("from_on"), bulk.day_number("until_on")
    of_vehicle = "vehicle_id, compartment_id"
    severe = f"CASE WHEN duty_class = 'severe' THEN {SEVERE} ELSE {NORMAL} END"
    sql = f"""
        SELECT {of_vehicle}, {from_d} AS from_d, NULL AS end_d, {severe}, id
        FROM duty_dutyassessment WHERE {where}
        UNION ALL SELECT {of_vehicle}, {from_d}, {end_d} + 1, {severe}, id
        FROM duty_dutyoverride WHERE {where} ORDER BY from_d, id"""  # noqa: S608
    kinds = {"vehicle_id": "i8", "compartment_id": "i8", "from_d": "i8", "end_d": "f8"}
    return bulk.read(sql, [*params, *params], kinds | {"class": "i8", "id": "i8"})


def _overlaid(
    key: IntArray, from_d: IntArray, duty_class: IntArray, overrides: Sequence[Array]
) -> tuple[Array, Array, Array]:
    """Lay overrides over the assessed classes; they are few, so one by one."""
    for own, begin, chosen, end in zip(*overrides, strict=True):
        mine = key == own
        kept = mine & ((from_d < begin) | (from_d >= end))
        before_end = np.flatnonzero(mine & (from_d <= end))
        after = duty_class[before_end[-1]] if len(before_end) else NORMAL
        additions = [] if mine.any() else [(LONG_AGO_D, NORMAL)]
        additions += [(begin, chosen), (end, after)]
        keep = kept | ~mine
        days, classes = (np.array(column) for column in zip(*additions, strict=True))
        key, from_d, duty_class = (
            np.append(old[keep], new)
            for old, new in ((key, np.full(len(days), own)), (from_d, days), (duty_class, classes))
        )
        order = np.lexsort((from_d, key))
        key, from_d, duty_class = key[order], from_d[order], duty_class[order]
    return key, from_d, duty_class


def _merged(key: IntArray, from_d: IntArray, duty_class: IntArray) -> Segments:
    changes: BoolArray = (np.diff(key, prepend=-1) != 0) | (np.diff(duty_class, prepend=-1) != 0)
    return Segments(key[changes], from_d[changes], duty_class[changes])
