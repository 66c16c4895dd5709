"""Meters with readings that nobody judged yet, and from when those are; one query."""

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from fleet import bulk
from fleet.calc.arrays import Array
from fleet.readings.earlier import PENDING, pending_readings


@dataclass(frozen=True)
class Pending:
    """Meters, rising by id, and their readings that wait for a verdict."""

    meter_id: Array
    first_d: Array  # instant of the first of these readings [d since 1970]
    last_d: Array
    late: Array  # bool: the first is older than the last accepted one

    def onwards(self) -> "Pending":
        """Return those none of whose readings is late."""
        kept = ~self.late
        return Pending(self.meter_id[kept], self.first_d[kept], self.last_d[kept], self.late[kept])

    def span(self) -> tuple[datetime | None, datetime | None]:
        """First and last instant of all these readings."""
        if not len(self.meter_id):
            return None, None
        return _at(self.first_d.min()), _at(self.last_d.max())


def _at(days: Any) -> datetime:
    return datetime.fromtimestamp(round(float(days) * 86_400), UTC)


def pending(vehicle_ids: Array | None = None) -> Pending:
    """Meters with readings that nobody judged yet, of some vehicles or of all."""
    also, params = "1 = 1", list[Any]()
    if vehicle_ids is not None:
        also, params = bulk.among("r.vehicle_id", vehicle_ids)
    sql = f"""
        SELECT p.meter_id, {bulk.instant_d("p.first_at")}, {bulk.instant_d("p.last_at")},
            m.last_at_d
        FROM (
            SELECT r.meter_id, MIN(r.taken_at) AS first_at, MAX(r.taken_at) AS last_at
            FROM {pending_readings()} WHERE {PENDING} AND {also} GROUP BY r.meter_id
        ) p LEFT JOIN readings_verdictmemory m ON m.meter_id = p.meter_id
        ORDER BY p.meter_id"""  # noqa: S608
    kinds = {"meter_id": "i8", "first_d": "f8", "last_d": "f8", "accepted_d": "f8"}
    found = bulk.read(sql, params, kinds)
    accepted_d = found.pop("accepted_d")
    return Pending(**found, late=found["first_d"] < accepted_d)
