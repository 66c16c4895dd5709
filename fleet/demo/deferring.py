"""Services that a supervisor of the demo put off for some days; why is invented."""

from collections.abc import Callable, Iterator, Sequence
from datetime import date, timedelta
from functools import partial

from fleet.demo.clock import Clock
from fleet.demo.drive import chance
from fleet.demo.orders import Shop
from fleet.demo.service_days import Visit

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
        vehicle = self.shop.vehicle(visit.van.number)
        (service,) = self.shop.services(vehicle, visit.services[:1])
        self.shop.put_off(vehicle, service, visit.day, f"{why}; invented")
