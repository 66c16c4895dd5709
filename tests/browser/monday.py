"""A Monday of three hundred vehicles: what a weekend leaves behind, by the verbs themselves."""

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
from django.utils import timezone

from fleet import chain
from fleet.due.models import Service, ServiceDone
from fleet.people.actor import Actor
from fleet.readings.enter import Entry, enter
from fleet.readings.models import Reading, Source
from fleet.stores import ledger
from fleet.stores.models import Item, Pack
from fleet.vehicles.models import Meter, Vehicle
from fleet.workorders.models import Material
from tests import cast
from tests.cast import Cast, depots_day, oil_change
from tests.dashboard.workshop import INVENTED, procedure
from tests.stores import shelf

VEHICLES, SLIPS, OVERDUE = 300, 24, 18
WEEKS, KM_PER_WEEK = 6, 630
ITEMS = 9


@dataclass(frozen=True)
class Monday:
    people: Cast
    held: int  # readings


def monday() -> Monday:
    people = cast.cast()
    oil = oil_change(people)
    _shelves(procedure(oil).pk, people)
    vans = _vans(people)
    _done(vans, oil)
    _driven(vans)
    chain.nightly(depots_day())
    held = Reading.objects.filter(verdict="held").count()
    return Monday(people, held)


def _vans(people: Cast) -> list[Vehicle]:
    """Those of the cast, and as many more of the same type and depot as it takes."""
    model = people.van
    numbers = range(1_003, 1_001 + VEHICLES)
    same = {
        "depot": model.depot,
        "vehicle_type": model.vehicle_type,
        "joined_on": model.joined_on,
        "in_service_on": model.in_service_on,
        "in_service_km": 0,
        "joined_as": model.joined_as,
    }
    more = [Vehicle(fleet_number=f"V-{number}", **same) for number in numbers]
    Vehicle.objects.bulk_create(more)
    Meter.objects.bulk_create(Meter(vehicle=one) for one in more)
    return [people.van, people.second_van, *more]


def _done(vans: list[Vehicle], oil: Service) -> None:
    """The last oil change of each: some are a year ago and more, the others on their way there."""
    today = depots_day()
    ago_d = np.linspace(0, 360, VEHICLES).astype(int) + 5  # a few fall due in each week ahead
    for at, van in enumerate(vans):
        late = at < OVERDUE
        ServiceDone.objects.create(
            vehicle=van,
            service=oil,
            done_on=today - timedelta(days=380 + at if late else int(ago_d[at])),
            total_km=4_000,
            evidence=ServiceDone.Evidence.BASELINE,
            source=INVENTED,
        )


def _driven(vans: list[Vehicle]) -> None:
    """Weekly readings; of some vans the last lacks its last digit."""
    now = timezone.now().replace(microsecond=0)
    meters = dict(Meter.objects.filter(vehicle__in=vans).values_list("vehicle", "pk"))

    def value(at: int, week: int) -> int:
        km = 5_000 + week * KM_PER_WEEK + 7 * at
        slip = week == WEEKS - 1 and at % 12 == 5 and at // 12 < SLIPS
        return 900 + at if slip else km

    entries = [
        Entry(
            vehicle_id=van.pk,
            meter_id=meters[van.pk],
            taken_at=now - timedelta(days=1, weeks=WEEKS - 1 - week),
            time_known=True,
            value=value(at, week),
            unit="km",
        )
        for at, van in enumerate(vans)
        for week in range(WEEKS)
    ]
    enter(entries, Source.DEMO)


def _shelves(procedure_id: int, people: Cast) -> None:
    """What an oil change takes, of which too little is there."""
    keeper = Actor(people.supervisor, "page", timezone.now())
    for at in range(ITEMS):
        item = shelf.item(f"seal-{at}", packs=(), kind="seal", unit="pieces")
        Pack.objects.create(item=item, quantity=10)
        shelf.stock(item, people.plain)
        ledger.count(keeper, depot=people.plain, item=item, counted=0, reason="nothing is left")
        Material.objects.create(
            procedure_id=procedure_id, kind="seal", name=item.name, item=item, pieces=1,
            source=INVENTED,
        )  # fmt: skip
    assert Item.objects.count() == ITEMS
