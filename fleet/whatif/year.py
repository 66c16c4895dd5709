"""One arm: the copy it runs on is changed, brought up to date, planned and followed for a year."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np

from fleet import chain
from fleet.calc.arrays import Array
from fleet.calc.year_ahead import FUTURES, SUMS, Carried, Span, Tally, follow
from fleet.consumables.gather import day_number
from fleet.consumables.learn import learn
from fleet.consumables.recipes import gather_recipes
from fleet.due import forecast
from fleet.duty import assess
from fleet.runs.ledger import Progress
from fleet.stores.models import Item
from fleet.vehicles.models import Depot, Vehicle
from fleet.visits import plan
from fleet.visits.gather import gather
from fleet.whatif.kinds import Touched
from fleet.whatif.rows import YEAR_D, Change
from fleet.whatif.terms import Asked, YearTerms, gather_terms

MEASURES = (
    *("work_min", "visits", "services", "overdue_d", "late_min"),
    *("labour_minor", "materials_minor", "visits_minor", "late_minor"),
)
PLAN_S = 20.0  # of a depot at most; our choice, as at night


@dataclass
class Year:
    """What one arm found: figures by depot, stretch and future."""

    first_on: date
    days: int
    figures: dict[str, Array]  # measure → (d, stretches, futures)
    items: dict[int, Array]  # item id → (d, stretches, futures)
    plans: list[dict[str, Any]]
    notes: list[str] = field(default_factory=list)
    unpriced: set[int] = field(default_factory=set)  # items that are used and have no price
    mechanic_min: dict[str, float] = field(default_factory=dict)  # by depot, in all the days


def months_of(first_on: date, days: int) -> tuple[Span, list[date]]:
    """The days by calendar month; the first and the last may be parts of one."""
    on = np.datetime64(first_on, "D") + np.arange(days)
    _, stretch = np.unique(on.astype("M8[M]"), return_inverse=True)
    begins = on[np.flatnonzero(np.diff(stretch, prepend=-1))]
    span = Span(day_number(first_on), stretch.astype(np.int64), len(begins))
    return span, [one.item() for one in begins]


def live(
    changes: Sequence[Change],
    depots: Sequence[Depot],
    first_on: date,
    now: datetime,
    progress: Progress,
) -> Year:
    """
    Bring the database that this process has up to date under some changes, and follow a year.

    Parameters
    ----------
    changes
        In any order; each acts on the day it begins.
    now
        The instant up to which readings count.
    """
    progress(0.02, "bringing due dates up to date")
    chain.refresh(_ids(), now)
    begins = sorted({first_on, *(one.from_on for one in changes)})
    last_on = first_on + timedelta(days=YEAR_D)
    span, _ = months_of(first_on, YEAR_D)
    asked = Asked(depots, first_on, span, learn(first_on, gather_recipes()))
    year = Year(first_on, YEAR_D, _nothing(len(depots), span), {}, [])
    carried: Carried | None = None
    for begin_on, until_on in zip(begins, [*begins[1:], last_on], strict=True):
        done = (begin_on - first_on).days / YEAR_D
        progress(0.1 + 0.85 * done, f"following the days from {begin_on:%B %Y}")
        _bring_about([one for one in changes if one.from_on == begin_on], begin_on, year)
        if begin_on == first_on:
            year.plans = _plans(depots, first_on, progress)
        terms_of = gather_terms(begin_on, until_on, asked)
        tally, carried = follow(terms_of.terms, day_number(until_on), span, carried)
        _count(year, tally, terms_of)
        _count_hands(
            year, terms_of, depots, slice(*((d - first_on).days for d in (begin_on, until_on)))
        )
    _tell(year, terms_of, depots)
    return year


def _ids() -> Array:
    there = Vehicle.objects.exclude(status=Vehicle.Status.SOLD).order_by("pk")
    return np.array(there.values_list("pk", flat=True), dtype=np.int64)


def _nothing(depots: int, span: Span) -> dict[str, Array]:
    return {name: np.zeros((depots, span.stretches, FUTURES)) for name in MEASURES}


def _bring_about(changes: Sequence[Change], begin_on: date, year: Year) -> None:
    """Make the changes of one day, then decide duty classes and due dates anew as at night."""
    touched = Touched()
    for one in changes:
        one.act(begin_on, touched)
    ids = _ids()
    if touched.duty:
        month_on = year.first_on.replace(day=1)
        assess.assess(ids, month_on, assess.rules_stamp(), since_on=month_on)
    for act in touched.after:
        act()
    if changes:
        forecast.forecast(ids, begin_on)
    year.notes += touched.notes


def _plans(depots: Sequence[Depot], first_on: date, progress: Progress) -> list[dict[str, Any]]:
    """The plan of the next eight weeks, under what holds from the first day on. What was late
    before that day is told apart, as no plan changes it: under shorter limits much would have been
    late long ago."""
    found = []
    for depot in depots:
        progress(0.1, f"planning the workshop days of {depot}")
        drawn = plan.draw(gather(depot, first_on, plan.DAYS), late=plan.safety_clock(PLAN_S))
        row, before = plan.in_figures(drawn), plan.before_minor(drawn)
        found.append({"depot": row.depot, "cost": row.cost - before, "before": before,
                      "visits": row.visits, "services": row.services,
                      "left_out": row.left_out})  # fmt: skip
    return found


def _count(year: Year, tally: Tally, terms_of: YearTerms) -> None:
    shops, figures = terms_of.shops, year.figures
    for name in SUMS:
        figures[name] += getattr(tally, name)
    rates = np.array([float(shop.rate_minor_per_h or 0) for shop in shops])
    visit = np.array([float(shop.workshop.visit_minor) for shop in shops])
    figures["labour_minor"] += tally.work_min / 60 * rates[:, None, None]
    figures["visits_minor"] += tally.visits * visit[:, None, None]
    used: dict[int, Array] = {}
    shape = figures["visits"].shape
    for number, unit in enumerate(terms_of.units):
        for item_id, quantity in unit.items.items():
            own = used.setdefault(item_id, np.zeros(shape))
            own[unit.depot] += quantity * tally.counts[number]
    for item_id, between in terms_of.between.items():
        used[item_id] = used.get(item_id, np.zeros(shape)) + between[:, :, None]
    for item_id, quantities in used.items():
        year.items[item_id] = year.items.get(item_id, np.zeros(shape)) + quantities
        _price(year, item_id, quantities, terms_of)


def _count_hands(year: Year, terms_of: YearTerms, depots: Sequence[Depot], days: slice) -> None:
    for depot, shop in zip(depots, terms_of.shops, strict=True):
        minutes = float(shop.places.mechanic_min[:, days].sum())
        year.mechanic_min[depot.slug] = year.mechanic_min.get(depot.slug, 0.0) + minutes


def _price(year: Year, item_id: int, quantities: Array, terms_of: YearTerms) -> None:
    for row, shop in enumerate(terms_of.shops):
        price = shop.prices.get(item_id)
        if price is not None:
            per = price.price_minor / price.quantity
            year.figures["materials_minor"][row] += quantities[row] * per
        elif quantities[row].any():
            year.unpriced.add(item_id)


def _tell(year: Year, terms_of: YearTerms, depots: Sequence[Depot]) -> None:
    """What the figures rest on, in sentences, as it stands at the end of the year."""
    for depot, shop in zip(depots, terms_of.shops, strict=True):
        days = slice(0, year.days)
        mechanics = shop.places.mechanic_min.sum(axis=0)[days]
        bays = shop.places.bay_min.sum(axis=0)[days]
        short = int((bays < mechanics).sum())
        if short:
            year.notes.append(
                f"At {depot} the bays have fewer minutes than the mechanics on {short} days of the "
                "year: more hands change nothing on those."
            )
        if shop.rate_minor_per_h is None:
            year.notes.append(
                f"No labour rate is entered for {depot}: its work costs nothing here."
            )
        year.notes += shop.places.lacking
    if terms_of.unknown:
        year.notes.append(
            f"{terms_of.unknown} services have no known history and are not followed; enter "
            "it on the Vehicle pages."
        )
    if year.unpriced:
        names = Item.objects.filter(pk__in=year.unpriced).order_by("name")
        listed = [str(one) for one in names[:5]]
        more = f" and {len(year.unpriced) - 5} more" if len(year.unpriced) > 5 else ""
        year.notes.append(
            f"No price is known for {', '.join(listed)}{more}: they cost nothing here."
        )
