"""On which days a depot's workshop is closed beside its usual ones, and why."""

from collections import defaultdict
from collections.abc import Iterable
from datetime import date

from fleet.reads import Ids, Rows, prepared
from fleet.vehicles.models import Closure, Depot
from fleet.vehicles.public_holidays import public_holidays


def closed_days(depots: Iterable[Depot], first: date, last: date) -> dict[int, dict[date, str]]:
    """Days from one to another by depot id, each with why: public holidays, unless the depot is
    open all the same, and its own closures; one query."""
    depots = list(depots)
    rows: dict[int, list[Closure]] = defaultdict(list)
    for row in _entered([depot.pk for depot in depots], first, last):
        rows[row.depot_id].append(row)
    return {
        depot.pk: closed_by(
            depot.holidays_in,
            [(row.on, row.open, row.note) for row in rows[depot.pk]],
            first,
            last,
        )
        for depot in depots
    }


@prepared
def _entered(depot_ids: Ids, first: date, last: date) -> Rows:
    return Closure.objects.filter(depot__in=depot_ids, on__gte=first, on__lte=last)


def closed_by(
    holidays_in: str, own: Iterable[tuple[date, bool, str]], first: date, last: date
) -> dict[date, str]:
    """The same of one depot, of whose own days each says whether it is open, and why."""
    public = public_holidays(holidays_in, first.year, last.year)
    days = {on: name for on, name in public.items() if first <= on <= last}
    for on, is_open, note in own:
        if is_open:
            days.pop(on, None)
        else:
            days[on] = note or days.get(on, "")
    return dict(sorted(days.items()))
