"""What day it is: the depot's, and the only place that makes a day of the present instant; and
how a day reads."""

from collections.abc import Iterable
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.utils import timezone

NO_DEPOT = "UTC"  # the day of what belongs to no depot


def today_at(zone: str, now: datetime | None = None) -> date:
    """The local date in a time zone, now or at an instant."""
    return (now or timezone.now()).astimezone(ZoneInfo(zone)).date()


def newest_day(zones: Iterable[str], now: datetime | None = None) -> date:
    """The newest of the days at some depots: a span up to it leaves nothing out."""
    return max((today_at(zone, now) for zone in {*zones}), default=today_at(NO_DEPOT, now))


def oldest_day(zones: Iterable[str], now: datetime | None = None) -> date:
    """The oldest of the days at some depots: what has ended by then has ended at each."""
    return min((today_at(zone, now) for zone in {*zones}), default=today_at(NO_DEPOT, now))


def day(on: date) -> str:
    """A date as '4 Mar 2026'."""
    return f"{on.day} {on:%b %Y}"


def ago(days: int) -> str:
    """How long ago a day was: 'today', '1 day ago', '12 days ago', '5 months ago'."""
    if days <= 0:
        return "today"
    if days < 90:
        return f"{days} day{'s' * (days != 1)} ago"
    return f"{days / 30.44:.0f} months ago"
