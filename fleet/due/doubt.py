"""Service history that the readings contradict: totals that cannot have stood on their day.

One rule for the workbook (a fault at its place), for page and API (a question that goes through
with a reason) and for ``sumpwise check`` (rows that a fleet already has).
"""

from dataclasses import dataclass
from datetime import date

import numpy as np

from fleet.calc import doubt, usage
from fleet.calc.arrays import Array, BoolArray, DateArray, FloatArray, IntArray
from fleet.calc.class_rates import UNKNOWN_SPREAD
from fleet.calc.passage import distances_ahead
from fleet.due.ahead import come_since
from fleet.due.gather import NO_METER, Meters, meters_of
from fleet.due.neighbours import Neighbours, neighbours
from fleet.vehicles.models import Meter

NO_VEHICLE = -1  # of a claim about a vehicle that is not in the fleet yet
HOURS_PER_DAY = 24.0
UNIT = {Meter.Kind.KM: "km", Meter.Kind.HOURS: "h"}


@dataclass(frozen=True)
class Claims:
    """Totals said to have stood on days, of one kind of meter: n of them."""

    vehicle_id: IntArray  # (n,) -1 for a vehicle that is not in the fleet yet
    vehicle: IntArray  # (n,) any number that tells the vehicles apart
    on: DateArray  # (n,) datetime64[D] at the depot
    total: FloatArray  # (n,) [km or h]
    utc_offset_d: FloatArray  # (n,) of the depot
    off_road: BoolArray  # (n,) bool: the vehicle is out of use
    began_on: DateArray  # (n,) datetime64[D] start of use, NaT for none
    began_km: FloatArray  # (n,)
    joined_on: DateArray  # (n,) datetime64[D]
    joined_km: FloatArray  # (n,) total on that day, NaN for none
    most_per_day: FloatArray  # (n,) of the vehicle type
    usual_per_day: FloatArray  # (n,) expected of the vehicle type

    def __len__(self) -> int:
        """Count the claims."""
        return len(self.total)


@dataclass(frozen=True)
class Doubt:
    """One claim that does not fit."""

    at: int  # place of the claim
    text: str  # why, without a full stop
    sure: bool  # it cannot be; else only unlikely for such a vehicle
    by_reading: bool  # contradicted by an odometer, and not by other records only
    meant: tuple[str, ...] = ()  # what may have been meant instead


@dataclass(frozen=True)
class _Around:
    """What is known about the meter around each claim's day."""

    before_d: FloatArray
    before: FloatArray
    after_d: FloatArray
    after: FloatArray
    low: FloatArray  # where nothing follows the day
    high: FloatArray
    sure: BoolArray  # bool: rests on a reading, or on what such a vehicle can do at most
    read: BoolArray  # bool: rests on a reading
    guessed: FloatArray  # how much of the readings' totals nobody read [km or h]


def doubts(claims: Claims, kind: str = Meter.Kind.KM) -> list[Doubt]:
    """Claims that the readings, or most of the other claims about the vehicle, contradict."""
    around = _around(claims, kind)
    low, high = doubt.allowed(around.before, around.after, around.low, around.high)
    low, high = np.maximum(low - around.guessed, 0.0), high + around.guessed
    cannot_be = around.sure & ~_stood(claims, around)
    wrong = (claims.total < low) | (claims.total > high)
    found = [
        Doubt(
            at,
            _words(claims, around, at, (low[at], high[at]), UNIT[Meter.Kind(kind)]),
            bool(cannot_be[at]),
            bool(around.read[at]),
            _meant(float(claims.total[at]), low[at], high[at], UNIT[Meter.Kind(kind)]),
        )
        for at in np.flatnonzero(wrong).tolist()
    ]
    surely = np.zeros(len(claims), dtype=bool)
    surely[[one.at for one in found if one.sure]] = True
    named = {one.at for one in found}
    among = _among_themselves(claims, ~surely, kind)
    return found + [one for one in among if one.at not in named]


def _stood(claims: Claims, around: _Around) -> Array:
    """Less than likely since the last reading, but no less than it said: vehicles may stand."""
    nothing_after = np.isnan(around.after)
    least = around.before - around.guessed - doubt.ROUNDING
    return nothing_after & (claims.total < around.low) & (claims.total >= least)


# --- what is known around a day --------------------------------------------------------------
def _around(claims: Claims, kind: str) -> _Around:
    meters, row_of = _meters(claims, kind)
    begin_d = claims.on.astype(np.float64) - claims.utc_offset_d
    about = _neighbours(meters, row_of, begin_d)
    before_d, before, after_d, after = about.before_d, about.before, about.after_d, about.after
    joined_d, began_d = (_begin(on, claims) for on in (claims.joined_on, claims.began_on))
    read = row_of != NO_METER
    for at_d, km in ((joined_d, claims.joined_km), (began_d, claims.began_km)):
        newer = (at_d <= begin_d) & np.isfinite(km) & ~(before_d >= at_d)
        before_d, before = np.where(newer, at_d, before_d), np.where(newer, km, before)
        read = read | (newer & (at_d == joined_d))
    joins_later = (joined_d > begin_d) & np.isfinite(claims.joined_km) & ~(after_d <= joined_d)
    after_d = np.where(joins_later, joined_d, after_d)
    after = np.where(joins_later, claims.joined_km, after)
    low, high, sure = _ahead(claims, meters, row_of, begin_d, before_d, before)
    return _Around(
        *(before_d, before, after_d, after, low, high),
        sure=sure | np.isfinite(after),
        read=(read & sure) | np.isfinite(after),
        guessed=np.where(np.isfinite(about.guessed), about.guessed, 0.0),
    )


def _begin(on: DateArray, claims: Claims) -> Array:
    """Instants at which days begin at the depot, NaN for none [d]."""
    known = ~np.isnat(on)
    days = np.where(known, on, np.datetime64(0, "D")).astype(np.float64)
    return np.where(known, days - claims.utc_offset_d, np.nan)


def _meters(claims: Claims, kind: str) -> tuple[Meters, Array]:
    ids = np.unique(claims.vehicle_id[claims.vehicle_id != NO_VEHICLE])
    meters, row_of = meters_of(ids)[list(Meter.Kind).index(Meter.Kind(kind))]
    place = np.searchsorted(ids, claims.vehicle_id)
    padded = np.append(row_of, NO_METER)
    known = claims.vehicle_id != NO_VEHICLE
    return meters, np.where(known, padded[np.minimum(place, len(ids))], NO_METER)


def _neighbours(meters: Meters, row_of: IntArray, begin_d: FloatArray) -> Neighbours:
    """Accepted readings last before, and first after, each day; those of the day are neither."""
    result = Neighbours(*np.full((5, len(begin_d)), np.nan))
    asked = np.flatnonzero(row_of != NO_METER)
    found = neighbours(meters.id[row_of[asked]], begin_d[asked], span_d=1.0)
    for name, column in vars(found).items():
        getattr(result, name)[asked] = column
    return result


def _ahead(
    claims: Claims,
    meters: Meters,
    row_of: IntArray,
    begin_d: FloatArray,
    before_d: FloatArray,
    before: FloatArray,
) -> tuple[Array, Array, Array]:
    """Least and most total by the usage filter on each day after the last reading.

    Where nothing was read yet the type's expected use stands in; then it is only unlikely, unless
    it is more than such a vehicle can run at all.
    """
    n = len(claims)
    low, high, sure = np.full(n, np.nan), np.full(n, np.nan), np.zeros(n, dtype=bool)
    read = np.flatnonzero(row_of != NO_METER)
    if len(read):
        row, last_d = row_of[read], meters.state.last_at_d[row_of[read]]
        day_d = np.stack((begin_d[read], begin_d[read] + 1), axis=1)
        come = meters.state.last_km[row][:, None, None] + come_since(meters, row, day_d, doubt.BAND)
        least = np.where(claims.off_road[read], meters.state.last_km[row], come[:, 0, 0])
        low[read] = np.where(begin_d[read] > last_d, least, np.nan)
        high[read], sure[read] = come[:, 1, 1], True
    new = np.flatnonzero((row_of == NO_METER) & np.isfinite(before))
    if len(new):
        days = (begin_d + 1 - before_d)[new]
        first = usage.start(before_d[new], before[new], claims.usual_per_day[new], UNKNOWN_SPREAD)
        moments = usage.law(first).moments
        come = before[new][:, None] + distances_ahead(moments, days[:, None], doubt.BAND)[:, 0]
        most, gained = claims.most_per_day[new], claims.total[new] - before[new]
        fell = np.where(days > 1, doubt.ROUNDING, most)  # on the day itself it may have been less
        low[new], high[new] = np.where(days > 1, come[:, 0], before[new] - most), come[:, 1]
        sure[new] = (gained > most * (days + 1)) | (gained < -fell)
    return low, high, sure


# --- claims about one vehicle ------------------------------------------------------------------
def _among_themselves(claims: Claims, usable: Array, kind: str) -> list[Doubt]:
    """Claims that most of the others about the same vehicle contradict."""
    order = np.lexsort((claims.total, claims.on, claims.vehicle))
    order = order[usable[order]]
    owner, day = claims.vehicle[order], claims.on[order].astype(np.float64)
    total, most = claims.total[order], claims.most_per_day[order]
    gained, days, same = np.diff(total), np.diff(day), np.diff(owner) == 0
    bad = same & ((gained < -doubt.ROUNDING) | (gained > most[1:] * (days + 1)))
    found = []
    for vehicle in np.unique(owner[1:][bad]).tolist():
        rows = np.flatnonzero(owner == vehicle)
        odd = doubt.odd_ones_out(day[rows].tolist(), total[rows].tolist(), float(most[rows[0]]))
        believed = [at for at in range(len(rows)) if at not in odd]
        found += [
            _against(claims, order[rows[at]], order[rows[_nearest(believed, at)]], kind)
            for at in odd
        ]
    return found


def _nearest(believed: list[int], at: int) -> int:
    return min(believed, key=lambda other: abs(other - at))


def _against(claims: Claims, at: int, other: int, kind: str) -> Doubt:
    unit = UNIT[Meter.Kind(kind)]
    given, known = claims.total[at], claims.total[other]
    return Doubt(
        int(at),
        f"{given:,.0f} {unit} on {claims.on[at]} does not go with {known:,.0f} {unit} "
        f"on {claims.on[other]}",
        sure=True,
        by_reading=False,
    )


# --- words -------------------------------------------------------------------------------------
def _words(claims: Claims, around: _Around, at: int, span: tuple[float, float], unit: str) -> str:
    """Why a total cannot be, with what is known before and after its day."""
    offset_d = claims.utc_offset_d[at]
    known = [
        f"{total:,.0f} {unit} on {_day(at_d + offset_d)}"
        for at_d, total in (
            (around.before_d[at], around.before[at]),
            (around.after_d[at], around.after[at]),
        )
        if np.isfinite(total)
    ]
    low, high = span
    likely = "" if np.isfinite(around.after[at]) else "likely "
    return (
        f"{claims.total[at]:,.0f} {unit} on {claims.on[at]} does not go with "
        f"{' and '.join(known)}: that day it {likely}stood between {low:,.0f} and "
        f"{high:,.0f} {unit}"
    )


def _day(at_d: float) -> date:
    day: date = np.floor(at_d).astype("M8[D]").item()
    return day


def _meant(total: float, low: float, high: float, unit: str) -> tuple[str, ...]:
    return tuple(f"{value:,.0f} {unit}: {words}" for value, words in doubt.slips(total, low, high))
