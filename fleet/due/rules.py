"""Services and limits as tables, and one stamp per vehicle type and depot for all of them."""

import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, NamedTuple

import numpy as np
from django.db import connection

from fleet.calc.arrays import Array, BoolArray, FloatArray, IntArray
from fleet.calc.calendar import WorkingDays
from fleet.calc.stamps import stamp_texts
from fleet.due.models import Limit, Service
from fleet.due.widening import IN_FORCE
from fleet.duty.models import DutyClass
from fleet.reads import Rows, prepared
from fleet.today import newest_day
from fleet.vehicles.closures import closed_days
from fleet.vehicles.models import Depot

METHOD = 4  # rises when the computation itself changes: every due date is then computed anew
NORMAL, SEVERE = 0, 1
FIRST, REPEAT = 0, 1
NO_LIMIT = -1
CLASSES = {DutyClass.NORMAL: NORMAL, DutyClass.SEVERE: SEVERE}
OCCASIONS = {Limit.Occasion.FIRST: FIRST, Limit.Occasion.REPEAT: REPEAT}
LIMIT_FIGURES = (
    *("limit_km", "limit_months", "limit_h", "yearly_month", "yearly_day"),
    *("tolerance_km", "tolerance_d", "tolerance_h"),
)
ANY_PRODUCT = 0
BACK_Y, AHEAD_Y = 6, 10  # years of closures and public holidays around today; our choice


@dataclass(frozen=True)
class Rules:
    """All services (S of them) and their limits (L of them)."""

    service_id: IntArray  # (S,)
    compartment_id: IntArray  # (S,)
    early_share: FloatArray  # (S,)
    strictest: BoolArray  # (S,) bool
    on_call: BoolArray  # (S,) bool: no limit at all, due only when something calls for it
    stamp: IntArray  # (S,) of the service and its limits
    limit_of: dict[int, IntArray]  # product id (0: any) -> (S, 2, 2) row of the limit, -1 for none
    limit_id: IntArray  # (L,)
    figures: dict[str, FloatArray]  # name -> (L,), NaN where the limit has no such figure
    of_type: dict[int, IntArray]  # vehicle type id -> rows of its services
    product_specific: bool  # some limit counts for one product only
    widening: float  # of the bands of distance and hours, by looking back

    def limit_rows(
        self, service: IntArray, duty_class: IntArray, occasion: IntArray, product: IntArray
    ) -> Array:
        """Rows of the limits in force; a product's own limit goes first."""
        rows = self.limit_of[ANY_PRODUCT][service, duty_class, occasion]
        for product_id, table in self.limit_of.items():
            if product_id != ANY_PRODUCT:
                own = table[service, duty_class, occasion]
                rows = np.where((product == product_id) & (own != NO_LIMIT), own, rows)
        return rows


class ServiceRow(NamedTuple):
    """What counts here of a service."""

    pk: int
    vehicle_type_id: int
    compartment_id: int
    early_share: float
    strictest_under_warranty: bool


class LimitRow(NamedTuple):
    """What counts here of a limit."""

    pk: int
    service_id: int
    duty_class: str
    occasion: str
    product_id: int | None
    limit_km: float | None
    limit_months: int | None
    limit_h: float | None
    yearly_month: int | None
    yearly_day: int | None
    tolerance_km: float
    tolerance_d: int
    tolerance_h: float


def gather_rules() -> Rules:
    """Read services and limits; there are few of them whatever the size of the fleet."""
    sql = f"""
        SELECT ({IN_FORCE}), {_columns("s", ServiceRow)}, {_columns("l", LimitRow)}
        FROM due_service s LEFT JOIN due_limit l ON l.service_id = s.id
        ORDER BY s.id, l.id"""  # noqa: S608
    with connection.cursor() as cursor:
        cursor.execute(sql)
        rows = cursor.fetchall()
    end = 1 + len(ServiceRow._fields)
    services = {row[1]: ServiceRow._make(row[1:end]) for row in rows}
    limits = [LimitRow._make(row[end:]) for row in rows if row[end] is not None]
    return rules_of([*services.values()], sorted(limits), _factor(rows))


def _columns(alias: str, row: type[ServiceRow] | type[LimitRow]) -> str:
    return ", ".join(f"{alias}.{'id' if name == 'pk' else name}" for name in row._fields)


def _factor(rows: Sequence[Sequence[Any]]) -> float:
    """What the bands are widened by: 1 before any look back, and where there is no service."""
    return float(rows[0][0]) if rows and rows[0][0] is not None else 1.0


def as_rows(
    services: Iterable[Service], limits: Iterable[Limit]
) -> tuple[list[ServiceRow], list[LimitRow]]:
    """What counts here of services and limits that were read already."""
    return (
        [ServiceRow(*(getattr(one, name) for name in ServiceRow._fields)) for one in services],
        [LimitRow(*(getattr(one, name) for name in LimitRow._fields)) for one in limits],
    )


def rules_of(services: Sequence[ServiceRow], limits: Sequence[LimitRow], widening: float) -> Rules:
    """The tables of some services, in order of id, with all of their limits."""
    place = {service.pk: row for row, service in enumerate(services)}
    of_type: dict[int, list[int]] = defaultdict(list)
    for row, service in enumerate(services):
        of_type[service.vehicle_type_id].append(row)
    return Rules(
        service_id=np.array([service.pk for service in services], dtype=np.int64),
        compartment_id=np.array([service.compartment_id for service in services], dtype=np.int64),
        early_share=np.array([service.early_share for service in services]),
        strictest=np.array([service.strictest_under_warranty for service in services], dtype=bool),
        on_call=~np.isin(
            [service.pk for service in services], [limit.service_id for limit in limits]
        ),
        stamp=_service_stamps(services, limits, widening),
        limit_of=_limit_tables(limits, place),
        limit_id=np.array([limit.pk for limit in limits], dtype=np.int64),
        figures={
            name: np.array([getattr(limit, name) for limit in limits], dtype=np.float64)
            for name in LIMIT_FIGURES
        },
        of_type={type_id: np.array(rows) for type_id, rows in of_type.items()},
        product_specific=any(limit.product_id for limit in limits),
        widening=widening,
    )


def _limit_tables(limits: Sequence[LimitRow], place: dict[int, int]) -> dict[int, Array]:
    products = {ANY_PRODUCT} | {limit.product_id or ANY_PRODUCT for limit in limits}
    tables = {product: np.full((len(place), 2, 2), NO_LIMIT) for product in sorted(products)}
    for row, limit in enumerate(limits):
        table = tables[limit.product_id or ANY_PRODUCT]
        duty_class, occasion = DutyClass(limit.duty_class), Limit.Occasion(limit.occasion)
        table[place[limit.service_id], CLASSES[duty_class], OCCASIONS[occasion]] = row
    for product, table in tables.items():
        _fill_gaps(table, own_only=product != ANY_PRODUCT)
    return tables


def _fill_gaps(table: Array, *, own_only: bool) -> None:
    """What a schedule does not state is taken from what it states next to it."""
    first, repeat = table[:, :, FIRST], table[:, :, REPEAT]
    if own_only:
        return  # a product's longer limit counts just where its source states it
    np.copyto(first, repeat, where=first == NO_LIMIT)
    np.copyto(repeat, first, where=repeat == NO_LIMIT)
    for one, other in ((NORMAL, SEVERE), (SEVERE, NORMAL)):
        np.copyto(table[:, one], table[:, other], where=table[:, one] == NO_LIMIT)


def _service_stamps(
    services: Sequence[ServiceRow], limits: Sequence[LimitRow], widening: float
) -> Array:
    by_service: dict[int, list[Any]] = defaultdict(list)
    for limit in limits:
        figures = [getattr(limit, name) for name in LIMIT_FIGURES]
        row = [limit.pk, limit.duty_class, limit.occasion, limit.product_id, *figures]
        by_service[limit.service_id].append(row)
    return stamp_texts(
        [
            json.dumps(
                [
                    *(METHOD, widening, service.compartment_id, service.early_share),
                    *(service.strictest_under_warranty, by_service[service.pk]),
                ]
            )
            for service in services
        ]
    )


@dataclass(frozen=True)
class Depots:
    """Zones and working days by depot id."""

    zone: dict[int, str]
    working: dict[int, WorkingDays]
    stamp: dict[int, int]


def gather_depots() -> Depots:
    """Read the working calendar of every depot."""
    return _calendars(list(_every_depot()))


@prepared
def _every_depot() -> Rows:
    return Depot.objects.all()


def _calendars(rows: Sequence[Depot]) -> Depots:
    year = newest_day(row.zone for row in rows).year
    span = date(year - BACK_Y, 1, 1), date(year + AHEAD_Y, 12, 31)
    closed = {pk: [*days] for pk, days in closed_days(rows, *span).items()}
    told = [json.dumps([row.zone, row.working_days, closed[row.pk]], default=str) for row in rows]
    return Depots(
        zone={row.pk: row.zone for row in rows},
        working={
            row.pk: WorkingDays(
                tuple(day == "1" for day in row.working_days),
                np.array(closed[row.pk], dtype="M8[D]"),
            )
            for row in rows
        },
        stamp=dict(zip(closed, stamp_texts(told).tolist(), strict=True)),
    )


@dataclass(frozen=True)
class Basis:
    """Services, limits and working calendars, read once for a whole run."""

    rules: Rules
    depots: Depots


def gather_basis() -> Basis:
    """Read everything about due dates that does not grow with the fleet."""
    return Basis(gather_rules(), gather_depots())
