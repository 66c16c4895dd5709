"""When a reading was taken: one cell, in any of the ways a sheet can say it, to an instant.

A sheet shows the clock on the wall; only a zone written behind the time says otherwise. A date
alone, and midnight without a zone (spreadsheets cannot tell the two apart), is 12:00 of that day
with the time unknown. "03/04/2026" is settled by the other dates of its column or refused.
"""

from __future__ import annotations

import calendar
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np

from fleet.calc.arrays import Array
from fleet.readings.unpack import MARK

DAY_S = 86_400
NOON_S = 43_200
EPOCH = date(1970, 1, 1)
SERIAL_ZERO = date(1899, 12, 30).toordinal() - EPOCH.toordinal()  # the 1900 date system
SERIALS = range(20_000, 80_001)  # our choice: 1954 to 2119
STAMPS = range(19_540_101, 21_200_101)  # the same span written as YYYYMMDD
YEARS = range(1954, 2120)
LONGEST_MOMENT = 60  # letters of a date with time, weekday and zone: our choice
OPEN_DAY = "which can be"  # of a fault: two days are possible
QUARTER_S = 900  # offsets of zones change at whole quarters of an hour


class CellFault(ValueError):
    """A cell that cannot be taken; its text says why and what to write instead."""


def is_open(fault: CellFault) -> bool:
    """Whether a cell is a date, but one of two days."""
    return OPEN_DAY in str(fault)


@dataclass(frozen=True, slots=True)
class Moment:
    """A point in time as written, in seconds since 1970-01-01 00:00."""

    wall_s: int  # by the clock on the wall, or by the zone written behind it
    time_known: bool = True
    offset_s: int | None = None  # ahead of UTC, when a zone was written
    month_from_s: int | None = None  # beginning of the month that stands for its last day


def _words(names: Iterable[str]) -> dict[str, int]:
    return {
        word: number
        for number, name in enumerate(names)
        if name
        for word in (name.lower(), name.lower()[:3])
    }


_OTHER_MONTHS = (  # German, French, Spanish; in full and as they are shortened
    "januar jänner jän jaenner janvier janv enero ene",
    "februar février fevrier févr fevr fév fev febrero",
    "märz maerz mär mars marzo",
    "avril avr abril abr",
    "mai mayo",
    "juni juin junio",
    "juli juillet juil julio",
    "august août aout agosto ago",
    "septembre septiembre setiembre set",
    "oktober okt octobre octubre",
    "novembre noviembre",
    "dezember dez décembre decembre déc diciembre dic",
)
MONTHS = (
    _words(calendar.month_name)
    | {"sept": 9}
    | {word: at for at, words in enumerate(_OTHER_MONTHS, 1) for word in words.split()}
)
_MONTH = "|".join(sorted(MONTHS, key=len, reverse=True))
_OTHER_DAYS = (  # German, French, Spanish; without "mar", which is rather the month
    "montag dienstag mittwoch donnerstag freitag samstag sonnabend sonntag mo di mi do fr sa so "
    "lundi mardi mercredi jeudi vendredi samedi dimanche lun mer jeu ven sam dim "
    "lunes martes miércoles miercoles jueves viernes sábado sabado domingo mié jue vie sáb dom"
)
_ALL_DAYS = {*_words(["", *calendar.day_name]), *_OTHER_DAYS.split()}
_WEEKDAYS = "|".join(sorted(_ALL_DAYS, key=len, reverse=True))
_WEEKDAY = re.compile(rf"^(?:{_WEEKDAYS})[.,]?\s+", re.I)
_CLOCK = re.compile(
    r"(?P<hour>\d{1,2})[:.](?P<minute>\d{2})(?:[:.](?P<second>\d{2})(?:[.,]\d+)?)?"
    r"\s*(?P<half>[ap]\.?m\.?)?\s*(?P<zone>z|utc|gmt|[+-]\d{2}:?(?:\d{2})?)?",
    re.I,
)
_DAY_FORMS = tuple(
    re.compile(form, re.I)
    for form in (
        r"(?P<year>\d{4})(?P<mark>[-/.])(?P<month>\d{1,2})(?P=mark)(?P<day>\d{1,2})",
        r"(?P<year>\d{4})(?P<month>\d{2})(?P<day>\d{2})",
        rf"(?P<day>\d{{1,2}})(?:st|nd|rd|th|er|º)?[-/. ]*(?:de )?(?P<name>{_MONTH})[-/., ]*"
        r"(?:del? )?(?P<year>\d{4}|\d\d)",
        rf"(?P<name>{_MONTH})[. ]*(?P<day>\d{{1,2}})(?:st|nd|rd|th)?[, ]+(?P<year>\d{{4}})",
        r"(?P<one>\d{1,2})(?P<mark>[-/.])(?P<two>\d{1,2})(?P=mark)(?P<year>\d{4}|\d\d)",
    )
)
_MONTH_FORMS = tuple(
    re.compile(form, re.I)
    for form in (
        r"(?P<year>\d{4})[-/. ](?P<month>\d{1,2})",
        r"(?P<month>\d{1,2})[-/. ](?P<year>\d{4})",
        rf"(?P<name>{_MONTH})[-/., '’]*(?:del? )?(?P<year>\d{{4}}|\d\d)?",
        rf"(?P<year>\d{{4}})[-/., ]*(?P<name>{_MONTH})",
    )
)
_REMEDY = "write it as 2026-03-31 or 2026-03-31 14:05"
# an example could be taken for the day that is meant
_RIGHT_DAY = "write it as YYYY-MM-DD, with the day that is right"


def read_moment(cell: object, day_first: bool | None = None) -> Moment:
    """The moment in a cell; CellFault says what is wrong with it.

    ``day_first`` settles dates such as 03/04/2026 for the whole column; None leaves them open.
    """
    if isinstance(cell, datetime):
        return _of_datetime(cell)
    if isinstance(cell, date):
        return Moment(_day_s(cell) + NOON_S, time_known=False)
    if isinstance(cell, (int, float)):
        return _of_number(float(cell))
    if isinstance(cell, str) and not cell.startswith(MARK):
        return _of_text(cell.strip(), day_first)
    raise CellFault(f"holds {shown(cell)}, which is no date: {_REMEDY}")


def shown(cell: object) -> str:
    """A cell as a person sees it, short and in quotes."""
    if isinstance(cell, str) and cell.startswith(MARK):
        return f"a {cell[1:]}"
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        cell = int(cell)
    return f"“{str(cell)[:40]}”" if cell != "" else "nothing"


def _day_s(day: date) -> int:
    return (day.toordinal() - EPOCH.toordinal()) * DAY_S


def _of_datetime(cell: datetime) -> Moment:
    day_s = _day_s(cell.date())
    time_s = round(cell.hour * 3600 + cell.minute * 60 + cell.second + cell.microsecond / 1e6)
    return _from_parts(day_s, time_s or None)


def _from_parts(day_s: int, time_s: int | None, offset_s: int | None = None) -> Moment:
    if time_s is None or (time_s == 0 and offset_s is None):
        return Moment(day_s + NOON_S, time_known=False)
    return Moment(day_s + time_s, offset_s=offset_s)


def _of_number(number: float) -> Moment:
    if number in STAMPS and number.is_integer():
        return _of_text(str(int(number)), None)
    if not SERIALS.start <= number < SERIALS.stop:
        raise CellFault(f"holds {shown(number)}, which is no date: {_REMEDY}")
    day, part = divmod(number, 1)
    return _from_parts((int(day) + SERIAL_ZERO) * DAY_S, round(part * DAY_S) or None)


def _of_text(text: str, day_first: bool | None) -> Moment:
    if len(text) > LONGEST_MOMENT:
        raise CellFault(f"holds {shown(text)}, which is no date: {_REMEDY}")
    body = _WEEKDAY.sub("", text)
    for form in _DAY_FORMS:
        found = form.match(body)
        if found:
            day = _day_of(found, text, day_first)
            rest = body[found.end() :].lstrip("T ,\t")
            return (
                _from_parts(_day_s(day), *_clock(rest, text))
                if rest
                else _from_parts(_day_s(day), None)
            )
    try:
        return _of_number(float(body))
    except ValueError:
        raise CellFault(f"holds {shown(text)}, which is no date: {_REMEDY}") from None


def _day_of(found: re.Match[str], text: str, day_first: bool | None) -> date:
    parts = found.groupdict()
    year = _year(parts["year"])
    if parts.get("name"):
        return _date(year, MONTHS[parts["name"].lower()], int(parts["day"]), text)
    if parts.get("one") is None:
        return _date(year, int(parts["month"]), int(parts["day"]), text)
    one, two = int(parts["one"]), int(parts["two"])
    if parts["mark"] == "." and two <= 12:
        day_first = True  # dates with full stops begin with the day: common practice, no source
    if day_first is None and one <= 12 and two <= 12 and one != two:
        raise CellFault(
            f"holds {shown(text)}, {OPEN_DAY} {_date(year, two, one, text):%-d %B %Y} or "
            f"{_date(year, one, two, text):%-d %B %Y}: write {_date(year, two, one, text)} or "
            f"{_date(year, one, two, text)}"
        )
    if one > 12 or (day_first and two <= 12):
        return _date(year, two, one, text)
    return _date(year, one, two, text)


def _year(text: str) -> int:
    return int(text) if len(text) == 4 else 2000 + int(text)


def _date(year: int, month: int, day: int, text: str) -> date:
    try:
        if year not in YEARS:
            raise ValueError
        return date(year, month, day)
    except ValueError:
        raise CellFault(f"holds {shown(text)}, a day that does not exist: {_RIGHT_DAY}") from None


def day_first_of(cells: Iterable[object]) -> bool | None:
    """Whether the dates of a column begin with the day, as far as one of them gives it away."""
    days, months = False, False
    for cell in cells:
        if not isinstance(cell, str):
            continue
        found = _DAY_FORMS[-1].match(_WEEKDAY.sub("", cell.strip()))
        if found and found["mark"] != ".":
            days = days or int(found["one"]) > 12
            months = months or int(found["two"]) > 12
    return None if days == months else days


def _clock(text: str, whole: str) -> tuple[int, int | None]:
    found = _CLOCK.fullmatch(text)
    if found is None:
        raise CellFault(f"holds {shown(whole)}, whose time cannot be read: write it as 14:05")
    hour, minute, second = (int(found[part] or 0) for part in ("hour", "minute", "second"))
    if found["half"]:
        if not 1 <= hour <= 12:
            raise CellFault(f"holds {shown(whole)}, a time that does not exist: write it as 14:05")
        hour = hour % 12 + (12 if found["half"][0] in "pP" else 0)
    if hour > 23 or minute > 59 or second > 59:
        raise CellFault(f"holds {shown(whole)}, a time that does not exist: write it as 14:05")
    return hour * 3600 + minute * 60 + second, _offset_s(found["zone"])


def _offset_s(zone: str | None) -> int | None:
    if not zone:
        return None
    if zone[0] not in "+-":
        return 0
    digits = zone[1:].replace(":", "").ljust(4, "0")
    return (1 if zone[0] == "+" else -1) * (int(digits[:2]) * 3600 + int(digits[2:]) * 60)


def with_time(moment: Moment, cell: object) -> Moment:
    """A day with the time of another cell; a blank one changes nothing."""
    if cell == "":
        return moment
    time_s, offset_s = _time_of(cell)
    day_s = moment.wall_s - moment.wall_s % DAY_S
    return replace(moment, wall_s=day_s + time_s, time_known=True, offset_s=offset_s)


def _time_of(cell: object) -> tuple[int, int | None]:
    if isinstance(cell, (datetime, time)):
        clock = cell.hour * 3600 + cell.minute * 60 + cell.second + cell.microsecond / 1e6
        return min(round(clock), DAY_S - 1), None
    if isinstance(cell, timedelta) and timedelta(0) <= cell < timedelta(days=1):
        return round(cell.total_seconds()), None
    if isinstance(cell, (int, float)) and 0 <= cell < 1:
        return min(round(cell * DAY_S), DAY_S - 1), None
    if isinstance(cell, str) and not cell.startswith(MARK):
        return _clock(cell.strip(), cell)
    raise CellFault(f"holds {shown(cell)}, which is no time of day: write it as 14:05")


def read_month(text: str, year: int | None = None) -> Moment | None:
    """A month as a heading: 12:00 on its last day (our choice); None when it is no month."""
    for form in _MONTH_FORMS:
        found = form.fullmatch(text.strip())
        if found:
            parts = found.groupdict()
            name = parts.get("name")
            month = MONTHS[name.lower()] if name else int(parts["month"])
            written = _year(parts["year"]) if parts["year"] else year
            if written is None:
                raise CellFault(f"holds {shown(text)}, a month without a year: write 2026-03")
            return _month(written, month) if month in range(1, 13) and written in YEARS else None
    return None


def _month(year: int, month: int) -> Moment:
    last = date(year, month, calendar.monthrange(year, month)[1])
    return Moment(_day_s(last) + NOON_S, time_known=False, month_from_s=_day_s(last.replace(day=1)))


# --- from the wall to UTC --------------------------------------------------------------------


@lru_cache(maxsize=200_000)
def _offset_at(zone: str, quarter: int) -> tuple[int, int]:
    """Seconds a zone is ahead of UTC by its own clock, and how far a missing hour moves on."""
    wall = datetime.fromtimestamp(quarter * QUARTER_S, tz=UTC).replace(tzinfo=ZoneInfo(zone))
    ahead = wall.utcoffset() or timedelta(0)
    after = wall.replace(fold=1).utcoffset() or timedelta(0)
    return int(ahead.total_seconds()), max(0, int((after - ahead).total_seconds()))


def to_utc_s(wall_s: Array, zone: Array, zones: Sequence[str]) -> tuple[Array, Array]:
    """UTC [s] of local times, and by how much [s] a time that did not exist was moved forward.

    Of an hour that came twice the first is taken.
    """
    key = (wall_s // QUARTER_S) * len(zones) + zone
    distinct, where = np.unique(key, return_inverse=True)
    found = [_offset_at(zones[int(k % len(zones))], int(k // len(zones))) for k in distinct]
    table = np.array(found, dtype=np.int64).reshape(-1, 2)
    return wall_s - table[where, 0], table[where, 1]


def local_noon_s(now: datetime, zones: Sequence[str]) -> Array:
    """12:00 of today by each zone's own clock [s since 1970-01-01]."""
    days = (_day_s(now.astimezone(ZoneInfo(zone)).date()) for zone in zones)
    return np.array([day_s + NOON_S for day_s in days], dtype=np.int64)
