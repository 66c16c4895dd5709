"""The frost that coolant must stand, by the climate of the depot a vehicle is based at.

A figure that follows the frost states limits for a depot of unknown climate. Where the climate is
known its upper limits move to the frost target, as far as they lie apart; its lower ones, past
which coolant is too strong, move only with a target that is colder than the figure's own.
"""

from collections.abc import Iterable
from copy import copy
from typing import TYPE_CHECKING

from django.db.models import Min

from fleet.calc.frost import MARGIN_C, WARMEST_C, target_c
from fleet.reads import Ids, Read, Rows, prepared, reader
from fleet.units import plain
from fleet.vehicles.models import ClimateMonth

if TYPE_CHECKING:
    from fleet.due.models import CheckFigure


@reader
def coldest(depot_ids: Iterable[int]) -> Read[dict[int, float]]:
    """Mean daily minimum of the coldest month, by depot [°C]; unknown ones are left out."""
    rows = _coldest_at({*depot_ids})
    yield [rows]
    return dict(rows)


@prepared
def _coldest_at(depot_ids: Ids) -> Rows:
    months = ClimateMonth.objects.filter(depot__in=depot_ids).order_by()
    return months.values_list("depot").annotate(Min("mean_daily_min_c"))


def as_at(figure: "CheckFigure", coldest_c: float | None) -> "CheckFigure":
    """A figure with the limits for a coldest month's mean daily minimum [°C]; not to be saved."""
    if not figure.follows_frost or figure.pass_to is None or coldest_c is None:
        return figure
    shift_c = target_c(coldest_c) - figure.pass_to
    moved = copy(figure)
    moved.pass_to, moved.watch_to = (
        _moved(figure.pass_to, shift_c),
        _moved(figure.watch_to, shift_c),
    )
    colder_c = min(shift_c, 0.0)
    moved.pass_from = _moved(figure.pass_from, colder_c)
    moved.watch_from = _moved(figure.watch_from, colder_c)
    moved.source = f"{_why(coldest_c)}; {figure.source}"
    return moved


def _moved(limit_c: float | None, by_c: float) -> float | None:
    return None if limit_c is None else limit_c + by_c


def _why(coldest_c: float) -> str:
    return (
        f"frost target of the depot {plain(target_c(coldest_c))} °C: coldest month "
        f"{plain(coldest_c)} °C "
        f"less {MARGIN_C:g}, at most {plain(WARMEST_C)} (our choice)"
    )
