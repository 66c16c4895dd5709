"""On which days a depot's workshop is closed beside its usual ones, and why."""

from collections import defaultdict
from collections.abc import Iterable
from datetime import date

from fleet.vehicles.models import Closure, Depot
from fleet.vehicles.public_holidays import public_holidays


def closed_days(depots: Iterable[Depot], first: date, last: date) -> dict[int, dict[date, str]]:
    """Days from one to another by depot id, each with why: public holidays, unless the depot is
    open all the same, and its own closures; one query."""
    depots = list(depots)
    rows: dict[int, list[Closure]] = defaultdict(list)
    for row in Closure.objects.filter(depot__in=depots, on__gte=first, on__lte=last):
        rows[row.depot_id].append(row)
    found = {}
    for depot in depots:
        public = public_holidays(depot.holidays_in, first.year, last.year)
        days = {on: name for on, name in public.items() if first <= on <= last}
        for row in rows[depot.pk]:
            if row.open:
                days.pop(row.on, None)
            else:
                days[row.on] = row.note or days.get(row.on, "")
        found[depot.pk] = dict(sorted(days.items()))
    return found
