"""What a depot will use of each item in each stretch of time ahead, as whole distributions."""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import TypeVar

import numpy as np

from fleet.calc import usage
from fleet.calc.arrays import Array, FloatArray, IntArray
from fleet.calc.breakage import EXPOSURE_D, broken, event_rate, top_ups
from fleet.calc.common_factor import correlation, nodes
from fleet.calc.convolve import Conditional, Distribution, added, combined, total
from fleet.calc.demand import counts_before, month_edges
from fleet.calc.level_paths import LEVELS, YEAR_D, Paths, level_paths, moments_ahead
from fleet.consumables.gather import Class, day_number
from fleet.consumables.learn import Learnt
from fleet.consumables.recipes import FLUID_STEP_ML, Recipes
from fleet.due.gather import Meters

MONTHS = 12  # our choice
Key = TypeVar("Key")
Parts = tuple[tuple[int, int], ...]  # services and quantities, without their common divisor


@dataclass(frozen=True)
class Stretch:
    """Days ahead, from one edge (-1: from today) up to another."""

    begin: int
    end: int
    begin_d: float  # local day numbers [d]
    end_d: float

    @property
    def middle_d(self) -> float:
        """Local day number [d]."""
        return (self.begin_d + self.end_d) / 2

    @property
    def days(self) -> float:
        """Length [d]."""
        return self.end_d - self.begin_d


@dataclass(frozen=True)
class Calendar:
    """The months ahead, and the stretches from today that orders have to cover."""

    today_d: int
    edges_d: FloatArray  # (e,) rising
    months_on: list[date]
    months: list[Stretch]
    horizons: dict[int, Stretch]  # days from today -> stretch

    @classmethod
    def of(cls, today: date, horizons_d: Iterable[int]) -> "Calendar":
        today_d = day_number(today)
        starts, ends_d = month_edges(today_d, MONTHS)
        wanted = {days: float(today_d + days) for days in sorted(set(horizons_d))}
        edges_d = np.unique(np.concatenate((ends_d, np.array(list(wanted.values()), dtype=float))))
        place = {float(edge): at for at, edge in enumerate(edges_d)}
        begins_d = [float(today_d), *ends_d[:-1].tolist()]
        months = [
            Stretch(place[begin_d] if at else -1, place[end_d], begin_d, end_d)
            for at, (begin_d, end_d) in enumerate(zip(begins_d, ends_d.tolist(), strict=True))
        ]
        return cls(
            today_d=today_d,
            edges_d=edges_d,
            months_on=[one.item() for one in starts],
            months=months,
            horizons={
                days: Stretch(-1, place[end_d], float(today_d), end_d)
                for days, end_d in wanted.items()
            },
        )

    @property
    def stretches(self) -> list[Stretch]:
        """Months first, then the horizons."""
        return [*self.months, *self.horizons.values()]


@dataclass
class _Tally:
    """Totals of one type so far, under each value of what its vehicles share."""

    vehicles: int = 0  # that have an odometer
    vehicles_in_all: int = 0  # all of them
    by_services: dict[Parts, list[list[Conditional]]] = field(default_factory=dict)
    by_km: dict[int, list[list[Conditional]]] = field(default_factory=dict)
    mean_km: float = 0.0  # of the next whole month
    var_km2: float = 0.0


@dataclass(frozen=True)
class ClassAhead:
    """What a type's vehicles are expected to drive in the next whole month."""

    type_id: int
    vehicles: int
    mean_km: float
    var_km2: float


@dataclass(frozen=True)
class Ahead:
    """Distributions by item, one for each stretch of the calendar."""

    calendar: Calendar
    laws: dict[int, list[Distribution]]
    classes: list[ClassAhead]


def look_ahead(
    depot_id: int,
    classes: Iterable[Class],
    calendar: Calendar,
    recipes: Recipes,
    learnt: Learnt,
    utc_offset_d: float,
    widening: float,
) -> Ahead:
    """Follow every vehicle at 99 levels and add up what its services take."""
    tallies: dict[int, _Tally] = defaultdict(_Tally)
    for group in classes:
        paths = Ways.of(group, calendar, utc_offset_d, widening)
        sigma = learnt.sigma_of(depot_id, group.type_id)
        _count(tallies[group.type_id], group, paths, calendar, recipes, learnt, sigma)
    return Ahead(
        calendar,
        _laws(tallies, calendar.stretches, recipes, learnt),
        [ClassAhead(pk, t.vehicles, t.mean_km, t.var_km2) for pk, t in tallies.items()],
    )


@dataclass(frozen=True)
class Ways:
    km: Paths
    hours: Paths
    law: usage.Law  # of the distance

    @classmethod
    def of(
        cls,
        group: Class,
        calendar: Calendar,
        offset_d: float,
        widening: float,
        least_d: float = YEAR_D,
    ) -> "Ways":
        given = offset_d, float(calendar.edges_d[-1]), widening
        km, hours = (_paths(meters, *given, least_d) for meters in (group.km, group.hours))
        return cls(km, hours, usage.law(group.km.state))


def _paths(
    meters: Meters, offset_d: float, until_d: float, widening: float, least_d: float
) -> Paths:
    law, last_at_d = usage.law(meters.state), meters.state.last_at_d
    clock = meters.clock, meters.season
    return level_paths(law, last_at_d, offset_d, until_d, widening, *clock, least_d)


def _count(
    tally: _Tally,
    group: Class,
    paths: Ways,
    calendar: Calendar,
    recipes: Recipes,
    learnt: Learnt,
    sigma: float,
) -> None:
    counts = counts_before(
        group.services, paths.km, paths.hours, calendar.today_d, calendar.edges_d
    )
    z = nodes() if sigma > 0 else nodes(1)
    stretches = calendar.stretches
    for number, stretch in enumerate(stretches):
        occurrences = _within(counts, stretch)
        rho = rho_of(group, paths, stretch, sigma)
        for parts in _kinds(group, recipes):
            outcomes = _outcomes(group, occurrences, parts)
            _keep(tally.by_services, parts, number, len(stretches), total(outcomes, rho, z))
        for item_id, ml_per_km in learnt.per_km.get(group.type_id, {}).items():
            poured = _poured(group, paths.km, stretch, ml_per_km)
            _keep(tally.by_km, item_id, number, len(stretches), total(poured, rho, z))
    _add_next_month(tally, group, paths, calendar)


def _keep(
    kept: dict[Key, list[list[Conditional]]], key: Key, number: int, count: int, found: Conditional
) -> None:
    kept.setdefault(key, [[] for _ in range(count)])[number].append(found)


def _within(counts: Array, stretch: Stretch) -> Array:
    before = counts[:, stretch.begin] if stretch.begin >= 0 else 0
    return np.asarray(counts[:, stretch.end] - before, dtype=np.int64)


def _kinds(group: Class, recipes: Recipes) -> list[Parts]:
    """Combinations of services that items are taken for, each once."""
    here = set(np.unique(group.service_id).tolist())
    found = {
        _parts(by_service, here)[0]
        for by_service in (*_by_item(recipes.taken).values(), *_by_item(recipes.disturbed).values())
    }
    return sorted(parts for parts in found if parts)


def _by_item(by_service: Mapping[int, Mapping[int, int]]) -> dict[int, dict[int, int]]:
    turned: dict[int, dict[int, int]] = defaultdict(dict)
    for service_id, by_item in by_service.items():
        for item_id, quantity in by_item.items():
            turned[item_id][service_id] = quantity
    return turned


def _parts(by_service: Mapping[int, int], here: set[int]) -> tuple[Parts, int]:
    """What one item is taken for by these services, without the common divisor; and that."""
    own = {service_id: q for service_id, q in by_service.items() if service_id in here}
    common = math.gcd(*own.values())
    return tuple(sorted((service_id, q // common) for service_id, q in own.items())), common


def _outcomes(group: Class, occurrences: IntArray, parts: Parts) -> Array:
    """Quantity of each vehicle at each level: (v, 99)."""
    found = np.zeros((len(group.vehicle_id), LEVELS.size), dtype=np.int64)
    for service_id, quantity in parts:
        rows = np.flatnonzero(group.service_id == service_id)
        np.add.at(found, group.vehicle[rows], quantity * occurrences[rows])
    return found


def _poured(group: Class, km: Paths, stretch: Stretch, ml_per_km: float) -> Array:
    """What is used up by driving, in steps of 50 mL: (v, 99)."""
    found = np.zeros((len(group.vehicle_id), LEVELS.size), dtype=np.int64)
    rows = np.flatnonzero(group.km_of >= 0)
    if len(rows):
        own = km.take(group.km_of[rows])
        shape = (len(rows), LEVELS.size)
        driven = own.covered(np.full(shape, stretch.end_d))
        driven = driven - own.covered(np.full(shape, stretch.begin_d))
        steps = np.rint(driven * ml_per_km / FLUID_STEP_ML)
        found[rows] = steps.astype(np.int64) * FLUID_STEP_ML
    return found


def rho_of(group: Class, paths: Ways, stretch: Stretch, sigma: float) -> Array:
    """Correlation of each vehicle's distance with what its class shares; 0 without a meter."""
    found = np.zeros(len(group.vehicle_id))
    ahead_d = np.maximum(stretch.middle_d - paths.km.start_d, 0.5)
    rho = correlation(sigma, *moments_ahead(paths.law, ahead_d))
    rows = np.flatnonzero(group.km_of >= 0)
    found[rows] = rho[group.km_of[rows]]
    return found


def _add_next_month(tally: _Tally, group: Class, paths: Ways, calendar: Calendar) -> None:
    tally.vehicles_in_all += len(group.vehicle_id)
    tally.vehicles += int((group.km_of >= 0).sum())
    month = calendar.months[1]  # the first may be a part of one
    start_d = paths.km.start_d
    mean_to, var_to = moments_ahead(paths.law, month.end_d - start_d)
    mean_from, var_from = moments_ahead(paths.law, np.maximum(month.begin_d - start_d, 0.0))
    tally.mean_km += float((mean_to - mean_from).sum())
    tally.var_km2 += float((var_to - var_from).sum())


# --- adding up -------------------------------------------------------------------------------
def _laws(
    tallies: Mapping[int, _Tally],
    stretches: Sequence[Stretch],
    recipes: Recipes,
    learnt: Learnt,
) -> dict[int, list[Distribution]]:
    mixed = {pk: _mixed(tally) for pk, tally in tallies.items()}
    taken, disturbed = _by_item(recipes.taken), _by_item(recipes.disturbed)
    items = {*taken, *disturbed, *(item for _, item in learnt.events)}
    items |= {item_id for tally in tallies.values() for item_id in tally.by_km}
    return {
        item_id: [
            added(
                [
                    *_planned(mixed, taken.get(item_id, {}), number),
                    *_broken(mixed, disturbed.get(item_id, {}), number, item_id, learnt),
                    *_driven(tallies, item_id, number),
                    *_between(tallies, item_id, stretch, learnt),
                ]
            )
            for number, stretch in enumerate(stretches)
        ]
        for item_id in sorted(items)
    }


def _mixed(tally: _Tally) -> dict[Parts, list[Distribution]]:
    return {
        parts: [combined(found).mixed() for found in by_stretch]
        for parts, by_stretch in tally.by_services.items()
    }


def _planned(
    mixed: Mapping[int, Mapping[Parts, list[Distribution]]],
    by_service: Mapping[int, int],
    number: int,
) -> list[Distribution]:
    """What the services take, type by type."""
    found = []
    for by_parts in mixed.values():
        here = {service_id for parts in by_parts for service_id, _ in parts}
        parts, common = _parts(by_service, here)
        if parts in by_parts:
            law = by_parts[parts][number]
            found.append(Distribution(law.step * common, law.pmf))
    return found


def _broken(
    mixed: Mapping[int, Mapping[Parts, list[Distribution]]],
    by_service: Mapping[int, int],
    number: int,
    item_id: int,
    learnt: Learnt,
) -> list[Distribution]:
    """Pieces that break of all that the services disturb; the share is the fleet's."""
    if not by_service:
        return []
    return [broken(added(_planned(mixed, by_service, number)), *learnt.breakage[item_id])]


def _driven(tallies: Mapping[int, _Tally], item_id: int, number: int) -> list[Distribution]:
    return [
        combined(tally.by_km[item_id][number]).mixed()
        for tally in tallies.values()
        if item_id in tally.by_km
    ]


def _between(
    tallies: Mapping[int, _Tally], item_id: int, stretch: Stretch, learnt: Learnt
) -> list[Distribution]:
    """Top-ups and what findings lead to, type by type."""
    found = []
    for type_id, tally in tallies.items():
        events = learnt.events.get((type_id, item_id))
        if events is not None:
            shape, rate = event_rate(events.count, learnt.exposure.get(type_id, 0.0))
            exposure = tally.vehicles_in_all * stretch.days / EXPOSURE_D
            found.append(top_ups(shape, rate, exposure, events.quantities, events.weights))
    return found
