"""The climate of a depot from a weather service's own file: a row a day with its extremes.

Columns DATE, TMAX and TMIN in any order among others, in whole degrees Celsius or in tenths of
them; a blank or a value such as -9999 is a day that was missed.
"""

import re
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
from django.db import transaction

from fleet.calc.arrays import Array
from fleet.calc.climate import LEAST_DAYS, Months, in_tenths, monthly_means
from fleet.faults import Fault
from fleet.readings.cells import read_figure
from fleet.readings.moments import CellFault, day_first_of, read_moment
from fleet.readings.spreadsheet import Rows, read_spreadsheet
from fleet.today import today_at
from fleet.vehicles.models import ClimateMonth, Depot

MOST_BYTES = 16 << 20  # of a file: a hundred years of days are far below it; our choice
HEADING_ROWS = 50
COLUMNS = {"DATE": ("DATE", "DAY"), "TMAX": ("TMAX", "TX"), "TMIN": ("TMIN", "TN")}
STATION = ("STATION", "NAME", "ID")
MISSED = {-9999.0, 9999.0, -999.9, -99.9}  # as such files write it: common practice, no source
MISSED_WORDS = {"", "NA", "N/A", "NAN", "M", "-", "NULL"}
COLDEST_C, WARMEST_C = -90.0, 60.0  # what air has ever been near the ground, rounded outwards
DAY_S = 86_400


@dataclass(frozen=True)
class MonthTold:
    """What became of one month of a file."""

    month: str  # 2025-03
    days: int
    outcome: str  # new, changed, unchanged or refused
    mean_daily_max_c: float | None
    mean_daily_min_c: float | None
    message: str = ""


@dataclass(frozen=True)
class TakenIn:
    """What became of a file."""

    source: str
    tenths: bool  # the file gave tenths of a degree
    months: tuple[MonthTold, ...]


@dataclass(frozen=True)
class _Days:
    day: Array  # since 1970-01-01
    maximum: Array  # as given; NaN where missed
    minimum: Array
    rows: Sequence[int]  # as the spreadsheet numbers them
    station: str


def take_in(path: Path, depot: Depot, name: str = "") -> TakenIn:
    """Turn a file of daily extremes into the monthly means of a depot, with their source.

    Raises
    ------
    Fault
        The file cannot be read, a row in it cannot be, or no month has days enough.
    """
    days = _days(path)
    tenths = in_tenths(days.maximum, days.minimum)
    scale = 0.1 if tenths else 1.0
    warm, cold = days.maximum * scale, days.minimum * scale
    _check(days, warm, cold, today_at(depot.zone))
    months = monthly_means(days.day, warm, cold)
    if not np.isfinite(months.mean_max_c).any():
        raise Fault(f"No month of the file has {LEAST_DAYS} days with TMAX and TMIN.")
    source = _source(name or path.name, days)
    with transaction.atomic():
        told = tuple(_keep(depot, months, at, source) for at in range(len(months.month)))
    return TakenIn(source, tenths, told)


def take_in_bytes(data: bytes, depot: Depot, name: str) -> TakenIn:
    """The same for a file that was sent, under the name it was sent by.

    Raises
    ------
    Fault
        As ``take_in``, or it is larger than ``MOST_BYTES``.
    """
    if len(data) > MOST_BYTES:
        raise Fault(f"The file is larger than {MOST_BYTES >> 20} MB: keep fewer years of it.")
    with tempfile.NamedTemporaryFile(prefix="sumpwise-") as file:
        file.write(data)
        file.flush()
        return take_in(Path(file.name), depot, name or "file")


def _days(path: Path) -> _Days:
    for grid in read_spreadsheet(path).values():
        for at, heading in enumerate(grid[:HEADING_ROWS]):
            named = {str(cell).strip().upper()[:40]: column for column, cell in enumerate(heading)}
            columns = {
                name: next((named[word] for word in words if word in named), None)
                for name, words in COLUMNS.items()
            }
            if None not in columns.values():
                station = next((named[word] for word in STATION if word in named), None)
                return _read(grid, at + 1, columns, station)  # type: ignore[arg-type]
    raise Fault("The file has no row of headings with DATE, TMAX and TMIN: a row a day is read.")


def _read(grid: Rows, first: int, columns: dict[str, int], station: int | None) -> _Days:
    kept = [
        (at + 1, row) for at, row in enumerate(grid) if at >= first and any(c != "" for c in row)
    ]
    if not kept:
        raise Fault("There is no day below the headings.")
    day_first = day_first_of(row[columns["DATE"]] for _, row in kept)
    stations = {str(row[station]) for _, row in kept} if station is not None else {""}
    if len(stations) > 1:
        raise Fault(
            f"The file holds {len(stations)} stations: keep the rows of the one near the depot."
        )
    return _Days(
        np.array([_day(number, row[columns["DATE"]], day_first) for number, row in kept]),
        np.array([_value(number, row[columns["TMAX"]], "TMAX") for number, row in kept]),
        np.array([_value(number, row[columns["TMIN"]], "TMIN") for number, row in kept]),
        [number for number, _ in kept],
        stations.pop()[:40],
    )


def _day(number: int, cell: object, day_first: bool | None) -> int:
    try:
        return read_moment(cell, day_first).wall_s // DAY_S
    except CellFault as fault:
        raise Fault(f"Row {number}: DATE {fault}.") from None


def _value(number: int, cell: object, name: str) -> float:
    if isinstance(cell, str) and cell.strip().upper() in MISSED_WORDS:
        return np.nan
    try:
        value, _ = read_figure(cell.strip() if isinstance(cell, str) else cell, ".")
    except CellFault as fault:
        raise Fault(f"Row {number}: {name} {fault}") from None
    return np.nan if value in MISSED else value


def _check(days: _Days, warm: Array, cold: Array, today: date) -> None:
    """Refuse the file where a row cannot be, naming the first such row."""
    seen: dict[int, int] = {}
    last = (today - date(1970, 1, 1)).days
    for at, (number, day) in enumerate(zip(days.rows, days.day.tolist(), strict=True)):
        on = date(1970, 1, 1) + timedelta(days=day)
        if day in seen:
            raise Fault(f"Row {number} gives {on} once more, after row {seen[day]}: keep one.")
        seen[day] = number
        if day > last:
            raise Fault(f"Row {number} gives {on}, which lies in the future: correct it.")
        for name, value in (("TMAX", warm[at]), ("TMIN", cold[at])):
            if not np.isnan(value) and not COLDEST_C <= value <= WARMEST_C:
                raise Fault(
                    f"Row {number}: {name} of {value:g} °C cannot be. The file must give degrees "
                    "Celsius, or tenths of them."
                )
        if warm[at] < cold[at]:
            raise Fault(f"Row {number}: TMAX lies below TMIN: correct the row or delete it.")


def _source(name: str, days: _Days) -> str:
    first, last = (
        date(1970, 1, 1) + timedelta(days=int(at)) for at in (days.day.min(), days.day.max())
    )
    station = f", station {days.station}" if days.station else ""
    shown = re.sub(r"\s+", " ", name)[:60]
    return f"daily extremes, file {shown}{station}, {first} to {last}"[:200]


def _keep(depot: Depot, months: Months, at: int, source: str) -> MonthTold:
    on = np.datetime64(int(months.month[at]), "M").astype(datetime)
    days = int(months.days[at])
    if np.isnan(months.mean_max_c[at]):
        few = f"{days} {'day' if days == 1 else 'days'} with TMAX and TMIN, fewer than {LEAST_DAYS}"
        return MonthTold(f"{on:%Y-%m}", days, "refused", None, None, few)
    means = round(float(months.mean_max_c[at]), 2), round(float(months.mean_min_c[at]), 2)
    known = ClimateMonth.objects.filter(depot=depot, year=on.year, month=on.month).first()
    if known is not None and (known.mean_daily_max_c, known.mean_daily_min_c) == means:
        return MonthTold(f"{on:%Y-%m}", days, "unchanged", *means)
    values = {"mean_daily_max_c": means[0], "mean_daily_min_c": means[1], "source": source}
    ClimateMonth.objects.update_or_create(
        depot=depot, year=on.year, month=on.month, defaults=values
    )
    return MonthTold(f"{on:%Y-%m}", days, "changed" if known else "new", *means)
