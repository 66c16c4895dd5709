"""Services that a supervisor of the demo put off for some days; why is invented."""

from collections.abc import Callable, Iterator, Sequence
from datetime import date, timedelta
from functools import partial

from fleet.demo.clock import Clock
from fleet.demo.drive import chance
from fleet.demo.orders import Shop
from fleet.demo.service_days import Visit
from fleet.due.defer import defer
from fleet.due.models import DueDate

SHARE, BEFORE_D = 0.05, 9  # of visits; so many days before, the service was put off
WHY = (
    "the van is on a long round until then",
    "the lift is being inspected that week",
    "the filter comes with the next delivery",
)


class Deferring:
    """Puts the first service of some visits off until the day of the visit."""

    def __init__(self, visits: Sequence[Visit], shop: Shop, clock: Clock) -> None:
        self.visits, self.shop, self.clock = visits, shop, clock

    def events(self, first: date, until: date) -> Iterator[tuple[date, Callable[[], None]]]:
        for visit in self.visits:
            day = visit.day - timedelta(days=BEFORE_D)
            if not first <= day < until:
                continue
            rng = chance(visit.van.number, 8_000 + visit.day.toordinal())
            if rng.uniform() < SHARE:
                yield day, partial(self._put_off, visit, WHY[int(rng.integers(len(WHY)))])

    def _put_off(self, visit: Visit, why: str) -> None:
        """Where its date can be deferred so far by one person; else it comes late without."""
        vehicle = self.shop.vehicle(visit.van.number)
        row = DueDate.objects.filter(vehicle=vehicle, service__slug=visit.services[0])
        due = row.select_related("service").first()
        if due is None or not due.history_known or due.beyond_tolerance_by_reading:
            return
        if due.tolerance_until_on is not None and due.tolerance_until_on < visit.day:
            return
        defer(
            vehicle=vehicle,
            service=due.service,
            person=self.shop.supervisor,
            reason=f"{why}; invented",
            until_on=visit.day,
        )
