"""Since when what is poured in between services is recorded, and which vehicles were there for it.

A vehicle that joined years ago was not watched for years: nobody wrote down what it took. Its days
count from when such records are kept at the depot where it is based.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fleet import bulk
from fleet.calc.arrays import Array
from fleet.calc.breakage import EXPOSURE_D, HALF_LIFE_D, fading

NEVER = np.inf
LATE_D = 1  # an order written down so long after its end was loaded from before; our choice


@dataclass(frozen=True)
class Stretch:
    """Days for which what a vehicle took would be known: from the first, before the last."""

    type_id: int
    begin_d: float  # day numbers [d]
    end_d: float


@dataclass(frozen=True)
class Watched:
    """By vehicle."""

    stretches: Mapping[int, Sequence[Stretch]]
    today_d: int

    def exposure(self) -> dict[int, float]:
        """Vehicle-days of each type, faded like the records [30 vehicle-days]."""
        rows = [stretch for of_vehicle in self.stretches.values() for stretch in of_vehicle]
        type_id = np.array([row.type_id for row in rows], dtype=np.int64)
        begin_d, end_d = (
            np.array([getattr(row, name) for row in rows], dtype=np.float64)
            for name in ("begin_d", "end_d")
        )
        # the integral of the weight over each stretch
        share = fading(self.today_d - end_d) - fading(self.today_d - begin_d)
        faded_d = HALF_LIFE_D / np.log(2) * share
        return {
            int(pk): float(faded_d[type_id == pk].sum() / EXPOSURE_D) for pk in np.unique(type_id)
        }

    def holds(self, vehicle_id: int, at_d: float) -> bool:
        """Whether what a vehicle took at an instant falls into days that are counted."""
        own = self.stretches.get(vehicle_id, ())
        return any(row.begin_d <= at_d < row.end_d for row in own)


def watched(today_d: int) -> Watched:
    """Read who was where since when; a few statements whatever the size of the fleet.

    A vehicle that was sold counts on neither side.
    """
    vehicles, since = _vehicles(), records_since()
    depot = dict(zip(vehicles["id"].tolist(), vehicles["depot_id"].tolist(), strict=True))
    stays = _stays(depot)
    found = {}
    for pk, type_id, joined_d in zip(
        *(vehicles[name].tolist() for name in ("id", "type_id", "joined_d")), strict=True
    ):
        rows = [
            Stretch(type_id, max(joined_d, from_d, since.get(at, NEVER)), min(until_d, today_d))
            for at, from_d, until_d in stays[pk]
        ]
        found[pk] = [row for row in rows if row.begin_d < row.end_d]
    return Watched(found, today_d)


def records_since() -> Mapping[int, float]:
    """First day from which top-ups are recorded, by depot: as set there, else the day after the
    first that was recorded, or after the first order of its own that was finished. That first
    one is why the count begins, so it is not counted."""
    first: dict[int, float] = {}
    for depot_id, at_d in (*_first_top_ups(), *_first_orders()):
        first[depot_id] = min(first.get(depot_id, NEVER), at_d)
    found = {depot_id: float(np.floor(at_d)) + 1 for depot_id, at_d in first.items()}
    said = bulk.read(
        f"SELECT id, {bulk.day_number('use_recorded_since_on')} FROM vehicles_depot "  # noqa: S608
        "WHERE use_recorded_since_on IS NOT NULL",
        [],
        {"id": "i8", "since_d": "f8"},
    )
    return found | dict(zip(said["id"].tolist(), said["since_d"].tolist(), strict=True))


def _vehicles() -> dict[str, Array]:
    sql = f"""
        SELECT id, vehicle_type_id, depot_id, {bulk.day_number("joined_on")}
        FROM vehicles_vehicle WHERE status <> 'sold' ORDER BY id"""  # noqa: S608
    return bulk.read(sql, [], dict.fromkeys(("id", "type_id", "depot_id", "joined_d"), "i8"))


def _stays(depot: Mapping[int, int]) -> dict[int, list[tuple[int, float, float]]]:
    """Where each vehicle was: depot, first day and the day after the last, in order of time.

    The first stay holds for all that was before it; without one the depot does.
    """
    sql = f"""
        SELECT s.vehicle_id, s.depot_id, {bulk.day_number("s.from_on")} FROM vehicles_depotstay s
        ORDER BY s.vehicle_id, s.from_on"""  # noqa: S608
    rows = bulk.read(sql, [], dict.fromkeys(("vehicle_id", "depot_id", "from_d"), "i8"))
    came: dict[int, list[tuple[int, float]]] = defaultdict(list)
    for pk, depot_id, from_d in zip(*(column.tolist() for column in rows.values()), strict=True):
        came[pk].append((depot_id, from_d if came[pk] else -NEVER))
    found = {}
    for pk, at in depot.items():
        stays = came.get(pk) or [(at, -NEVER)]
        ends = [from_d for _, from_d in stays[1:]] + [NEVER]
        found[pk] = [(one, from_d, end) for (one, from_d), end in zip(stays, ends, strict=True)]
    return found


def _first_top_ups() -> list[tuple[int, float]]:
    """The first top-up at each depot, where its vehicle was based then."""
    sql = f"""
        SELECT COALESCE((SELECT s.depot_id FROM vehicles_depotstay s
                WHERE s.vehicle_id = v.id AND s.from_on <= t.topped_up_at
                ORDER BY s.from_on DESC LIMIT 1),
            (SELECT s.depot_id FROM vehicles_depotstay s WHERE s.vehicle_id = v.id
                ORDER BY s.from_on LIMIT 1), v.depot_id) AS at_depot,
            MIN({bulk.instant_d("t.topped_up_at")})
        FROM due_topup t JOIN vehicles_vehicle v ON v.id = t.vehicle_id GROUP BY 1"""  # noqa: S608
    return _pairs(bulk.read(sql, [], {"depot_id": "i8", "at_d": "f8"}))


def _first_orders() -> list[tuple[int, float]]:
    """The first order that each depot's own workshop finished while it was in the program."""
    sql = f"""
        SELECT depot_id, MIN({bulk.instant_d("finished_at")}) FROM workorders_workorder
        WHERE state IN ('finished', 'signed off') AND "where" = 'own workshop'
            AND {bulk.instant_d("finished_at")} > {bulk.instant_d("created_at")} - {LATE_D}
        GROUP BY depot_id"""  # noqa: S608
    return _pairs(bulk.read(sql, [], {"depot_id": "i8", "at_d": "f8"}))


def _pairs(rows: dict[str, Array]) -> list[tuple[int, float]]:
    return list(zip(rows["depot_id"].tolist(), rows["at_d"].tolist(), strict=True))
