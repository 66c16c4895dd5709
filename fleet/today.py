"""What day it is: the depot's, and the only place that makes a day of the present instant."""

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
