"""What holds from a day on, as arrays for ``calc.year_ahead``.

It is read from the stored due dates, by the functions that the forecast of demand and the plan of
the workshop days read by.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date

import numpy as np

from fleet.calc.arrays import Array, IntArray
from fleet.calc.breakage import PRIOR_BROKEN, PRIOR_WHOLE
from fleet.calc.demand import NO_METER, Repeats, Services
from fleet.calc.level_paths import LEVELS, Paths
from fleet.calc.year_ahead import Span, Terms, draw_levels
from fleet.consumables.ahead import Calendar, Stretch, Ways, look_ahead, rho_of
from fleet.consumables.fluids import with_own_fluids
from fleet.consumables.gather import Class, day_number, gather
from fleet.consumables.learn import Learnt
from fleet.consumables.recipes import Recipes, gather_recipes
from fleet.due.gather import utc_offsets
from fleet.due.models import Service
from fleet.due.rules import Basis, gather_basis
from fleet.overview.weeks import minutes_of_services
from fleet.stores.prices import UnitPrice, unit_prices
from fleet.vehicles.models import Depot
from fleet.visits.models import Workshop
from fleet.visits.places import Places, gather_places
from fleet.workorders.models import LabourRate

BEYOND_D = 21  # of capacity, so that the last days know their next working day
KEY = 2**31


@dataclass(frozen=True)
class Unit:
    """What a service takes from stores at a depot, for vehicles that get one fluid."""

    depot: int  # row
    items: Mapping[int, float]  # item id → quantity, broken pieces as expected


@dataclass(frozen=True)
class Shop:
    """What work costs at a depot, and what its workshop has."""

    workshop: Workshop
    places: Places
    rate_minor_per_h: int | None
    prices: Mapping[int, UnitPrice]


@dataclass
class YearTerms:
    """Everything that holds from a day on."""

    terms: Terms
    units: list[Unit]
    shops: list[Shop]
    between: dict[int, Array]  # item id → (d, stretches) used between services
    unknown: int  # services whose history is not known, which are not followed


@dataclass(frozen=True)
class Asked:
    """What an arm follows: depots, and the days in stretches."""

    depots: Sequence[Depot]
    first_on: date
    span: Span
    learnt: Learnt


@dataclass
class _Part:
    """Rows of some vehicles of one type at one depot."""

    group: Class
    own: Class  # with the services as they are for vehicles with a fluid of their own
    ways: Ways
    depot: int
    rho: Array


def gather_terms(begin_on: date, until_on: date, asked: Asked) -> YearTerms:
    """Read everything that holds from one day up to another."""
    basis, recipes = gather_basis(), gather_recipes()
    calendar = _calendar(begin_on, until_on, asked.span)
    parts: list[_Part] = []
    units: dict[tuple[int, int], int] = {}
    taken: list[Unit] = []
    between: dict[int, Array] = {}
    for row, depot in enumerate(asked.depots):
        classes = list(gather(depot.pk, basis.rules))
        own, varied = with_own_fluids(depot.pk, begin_on, classes, recipes)
        offset_d = float(utc_offsets(np.array([depot.pk]), basis.depots.zone)[0])
        for group, one in zip(classes, own, strict=True):
            ways = Ways.of(group, calendar, offset_d, basis.rules.widening)
            parts.append(_Part(group, one, ways, row, _rho(group, ways, depot, calendar, asked)))
        _add_units(row, own, varied, asked.learnt, units, taken)
        _add_between(row, classes, calendar, varied, offset_d, basis, asked, between)
    shops = [_shop(depot, asked, recipes) for depot in asked.depots]
    terms = _joined(begin_on, parts, units, shops, basis)
    unknown = sum(len(part.group.unknown) for part in parts)
    return YearTerms(terms, taken, shops, between, unknown)


def _calendar(begin_on: date, until_on: date, span: Span) -> Calendar:
    """Stretches of the span from one day up to another, and the end of the whole as last edge."""
    begin_d, until_d = day_number(begin_on), day_number(until_on)
    here = span.stretch[begin_d - span.first_d : until_d - span.first_d]
    begins_d = begin_d + np.flatnonzero(np.diff(here, prepend=-1))
    ends_d = np.append(begins_d[1:], until_d).astype(float)
    edges_d = np.unique(np.append(ends_d, float(span.end_d)))
    stretches = [
        Stretch(at - 1, at, float(first), float(last))
        for at, (first, last) in enumerate(zip(begins_d, ends_d, strict=True))
    ]
    days = [np.datetime64(int(one), "D").item() for one in begins_d]
    return Calendar(begin_d, edges_d, days, stretches, {})


def _rho(group: Class, ways: Ways, depot: Depot, calendar: Calendar, asked: Asked) -> Array:
    whole = Stretch(-1, 0, float(calendar.today_d), float(asked.span.end_d))
    return rho_of(group, ways, whole, asked.learnt.sigma_of(depot.pk, group.type_id))


def _add_units(
    row: int,
    classes: Sequence[Class],
    recipes: Recipes,
    learnt: Learnt,
    units: dict[tuple[int, int], int],
    taken: list[Unit],
) -> None:
    here = {pk for one in classes for pk in np.unique(one.service_id).tolist()}
    for pk in sorted(here):
        units[row, pk] = len(taken)
        items: dict[int, float] = dict(recipes.taken.get(pk, {}))
        for item_id, pieces in recipes.disturbed.get(pk, {}).items():
            broken, whole = learnt.breakage.get(item_id, (0.0, 0.0))
            share = (PRIOR_BROKEN + broken) / (PRIOR_BROKEN + PRIOR_WHOLE + broken + whole)
            items[item_id] = items.get(item_id, 0.0) + share * pieces
        taken.append(Unit(row, items))


def _add_between(
    row: int,
    classes: Sequence[Class],
    calendar: Calendar,
    recipes: Recipes,
    offset_d: float,
    basis: Basis,
    asked: Asked,
    between: dict[int, Array],
) -> None:
    """Top-ups and what is used up by driving, by the forecast of demand without any service."""
    bare = replace(recipes, taken={}, disturbed={})
    vehicles = [_without_services(one) for one in classes]
    ahead = look_ahead(
        asked.depots[row].pk, vehicles, calendar, bare, asked.learnt, offset_d, basis.rules.widening
    )
    stretch = asked.span.stretch[[int(s.begin_d) - asked.span.first_d for s in calendar.months]]
    shape = len(asked.depots), asked.span.stretches
    for item_id, laws in ahead.laws.items():
        means = [law.mean for law in laws]
        between.setdefault(item_id, np.zeros(shape))[row, stretch] += means


def _without_services(group: Class) -> Class:
    none = np.empty(0, dtype=np.int64)
    return replace(group, vehicle=none, service_id=none, services=_rows(group.services, none))


def _rows(services: Services, rows: IntArray) -> Services:
    own = {one.name: getattr(services.repeats, one.name)[rows] for one in fields(Repeats)}
    names = [one.name for one in fields(Services) if one.name != "repeats"]
    return Services(
        **{name: getattr(services, name)[rows] for name in names}, repeats=Repeats(**own)
    )


def _shop(depot: Depot, asked: Asked, recipes: Recipes) -> Shop:
    workshop = Workshop.of(depot)
    days = len(asked.span.stretch) + BEYOND_D
    rate = LabourRate.objects.filter(depot=depot).first()
    return Shop(
        workshop,
        gather_places(depot, workshop, asked.first_on, days),
        rate.rate_minor_per_h if rate else None,
        unit_prices(depot.pk, list(recipes.items)),
    )


# --- one table ------------------------------------------------------------------------------
def _joined(
    begin_on: date,
    parts: Sequence[_Part],
    units: Mapping[tuple[int, int], int],
    shops: Sequence[Shop],
    basis: Basis,
) -> Terms:
    """The rows of all parts as one table, in the order of vehicle and service."""
    vehicle_at = np.cumsum([0, *(len(part.group.vehicle_id) for part in parts)])
    vehicle_id = _column([part.group.vehicle_id for part in parts])
    service_id = _column([part.group.service_id for part in parts])
    vehicle = _column([part.group.vehicle + vehicle_at[at] for at, part in enumerate(parts)])
    depot = _column([np.full(len(part.group.vehicle_id), part.depot) for part in parts])
    unit = _column(
        [[units[part.depot, pk] for pk in part.own.service_id.tolist()] for part in parts]
    )
    key = vehicle_id[vehicle] * KEY + service_id
    order = np.argsort(key)
    of = order, service_id[order]
    types = _column([np.full(len(part.group.vehicle_id), part.group.type_id) for part in parts])
    rho = np.concatenate([np.empty(0), *(part.rho for part in parts)])
    minutes = minutes_of_services()
    work_min = np.array([float(minutes.get(pk, 0)) for pk in of[1].tolist()])
    row_of = {pk: at for at, pk in enumerate(basis.rules.service_id.tolist())}
    early = basis.rules.early_share[[row_of[pk] for pk in of[1].tolist()]]
    return Terms(
        begin_d=day_number(begin_on),
        key=key[order],
        services=_rows(_services(parts), order),
        km=_paths([part.ways.km for part in parts]),
        hours=_paths([part.ways.hours for part in parts]),
        vehicle=vehicle[order],
        level=draw_levels(vehicle_id, types, rho),
        depot=depot,
        unit=unit[order],
        units=len(units),
        early_share=np.asarray(early, dtype=float),
        work_min=work_min,
        is_round=work_min == 0,
        late_minor=_late_minor(of[1], depot[vehicle[order]], shops) * (work_min > 0),
        capacity_min=np.array([_capacity(shop) for shop in shops]),
        set_up_min=np.array([float(shop.workshop.set_up_min) for shop in shops]),
    )


def _column(parts: Sequence[Sequence[int] | Array]) -> Array:
    return np.concatenate([np.empty(0, np.int64), *(np.asarray(part, np.int64) for part in parts)])


def _services(parts: Sequence[_Part]) -> Services:
    """Services of all parts; their meters are rows of all meters."""
    km_at = np.cumsum([0, *(len(part.group.km.id) for part in parts)])
    hours_at = np.cumsum([0, *(len(part.group.hours.id) for part in parts)])
    each = [part.group.services for part in parts]

    def meters(name: str, begins: Array) -> Array:
        own = [getattr(one, name) for one in each]
        return _column([np.where(m == NO_METER, m, m + begins[at]) for at, m in enumerate(own)])

    def joined(name: str, of: Sequence[object], kind: str = "f8") -> Array:
        return np.concatenate([np.empty(0, kind), *(getattr(one, name) for one in of)])

    repeats = [one.repeats for one in each]
    return Services(
        km_meter=meters("km_meter", km_at),
        hours_meter=meters("hours_meter", hours_at),
        km_left=joined("km_left", each),
        hours_left=joined("hours_left", each),
        calendar_on=joined("calendar_on", each, "M8[D]"),
        planned_on=joined("planned_on", each, "M8[D]"),
        repeats=Repeats(**{one.name: joined(one.name, repeats) for one in fields(Repeats)}),
    )


def _paths(parts: Sequence[Paths]) -> Paths:
    """All meters on the longest knots: those of each part are the first of these."""
    parts = [part for part in parts if len(part.start_d)]
    if not parts:
        return Paths(np.empty(0), np.array([0.0, 1.0]), np.empty((0, 2, LEVELS.size)))
    knots_d = max((part.knots_d for part in parts), key=len)
    padded = [
        np.concatenate(
            [part.ahead, np.repeat(part.ahead[:, -1:], len(knots_d) - len(part.knots_d), axis=1)],
            axis=1,
        )
        for part in parts
    ]
    return Paths(np.concatenate([part.start_d for part in parts]), knots_d, np.concatenate(padded))


def _late_minor(service_id: Array, depot: Array, shops: Sequence[Shop]) -> Array:
    """What a day late costs, by the kind of the service."""
    checks = set(Service.objects.filter(kind=Service.Kind.CHECK).values_list("pk", flat=True))
    is_check = np.array([pk in checks for pk in service_id.tolist()], dtype=bool)
    change = np.array([float(shop.workshop.late_change_minor) for shop in shops])
    check = np.array([float(shop.workshop.late_check_minor) for shop in shops])
    return np.where(is_check, check[depot], change[depot])


def _capacity(shop: Shop) -> Array:
    """Minutes of each day that are for planned work."""
    mechanics, bays = shop.places.mechanic_min.sum(axis=0), shop.places.bay_min.sum(axis=0)
    return shop.workshop.may_plan(np.minimum(mechanics, bays))
