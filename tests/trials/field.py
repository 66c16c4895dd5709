"""A field trial in a few lines: sixteen vans, two gearbox oils, what was felt. All invented."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import numpy as np

from fleet import chain
from fleet.due.models import Fill, Service, ServiceDone
from fleet.due.record import record_done, record_fill
from fleet.people.actor import Actor
from fleet.people.models import Person, Role
from fleet.stores.models import AcceptedFluid, Product, ProductClaim, Specification
from fleet.trials.assign import assign
from fleet.trials.evaluate import evaluate
from fleet.trials.models import Trial, TrialResult, TrialVehicle
from fleet.trials.rate import Felt, rate
from fleet.trials.set_up import Costs, SetUp, set_up
from fleet.vehicles.models import Depot, Vehicle
from tests.scene import INVENTED, NOW, depot, readings, service, steady, van, van_type

STARTS_ON = date(2025, 12, 1)  # 28 weeks before NOW; the vans drive 700 km a week
INTERVAL_KM = 17_000.0  # bands of 4,000 km from 1,000 km on
KM_PER_WEEK, WEEKS = 700.0, 40
PROGRAM = Actor(person=None, channel="command", now=NOW)


def products() -> tuple[Product, Product]:
    """The usual gearbox oil and a dearer one, both accepted."""
    asked = Specification.objects.create(slug="asked", name="Asked for", source=INVENTED)
    found = []
    for slug, name in (("usual-oil", "Usual oil"), ("dearer-oil", "Dearer oil")):
        one = Product.objects.create(slug=slug, name=name, source=INVENTED)
        ProductClaim.objects.create(product=one, specification=asked, source=INVENTED)
        found.append(one)
    gearbox = van_type().compartments.get(slug="gearbox")
    AcceptedFluid.objects.create(compartment=gearbox, specification=asked, source=INVENTED)
    return found[0], found[1]


def given(of: Service, usual: Product, tried: Product, **changes: object) -> SetUp:
    plain: dict[str, object] = {
        "name": "Dearer gearbox oil",
        "service": of,
        "usual": usual,
        "tried": tried,
        "usual_price_minor_per_l": 1_000,
        "tried_price_minor_per_l": 1_300,
        "starts_on": STARTS_ON,
        "ends_on": date(2026, 12, 1),
        "source": INVENTED,
        "quantity_ml": 1_500,
        "costs": Costs(labour_minor=4_000),
        "interval_km": INTERVAL_KM,
        "seed": 11,
        "ratings_per_vehicle": 24,  # more than any scene sends, so that none is over by them
    }
    return SetUp(**(plain | changes))  # type: ignore[arg-type]


def vans(count: int, at: Depot | None = None, first: int = 1) -> list[Vehicle]:
    """Vans read every week; nobody judged the readings yet."""
    found = [van(f"V-{first + number}", at) for number in range(count)]
    for number, one in enumerate(found):
        readings(one, steady(1_000.0 * number, KM_PER_WEEK, WEEKS))
    return found


def person(name: str, role: Role, *depots: Depot) -> Person:
    created = Person.objects.create_user(username=name.lower(), first_name=name, role=role)
    created.depots.set(depots)
    return created


@dataclass
class Field:
    """A trial with its vans."""

    trial: Trial
    vans: list[Vehicle]

    @property
    def places(self) -> list[TrialVehicle]:
        rows = self.trial.vehicles.select_related("vehicle", "trial__service", "group__product")
        return list(rows.order_by("vehicle__pk"))

    def change(self, place: TrialVehicle, on: date, product: Product | None = None) -> None:
        """A fresh change of the vehicle's own product, or of another one."""
        record_done(
            ServiceDone(
                vehicle=place.vehicle,
                service=self.trial.service,
                done_on=on,
                evidence="outside workshop",
                source=INVENTED,
                person=None,
            ),
        )
        record_fill(
            Fill(
                vehicle=place.vehicle,
                compartment=self.trial.service.compartment,
                filled_on=on,
                product=product or place.group.product,
                quantity_ml=1_500,
                source=INVENTED,
            ),
        )

    def rate(
        self,
        place: TrialVehicle,
        at: datetime,
        value: int,
        now: datetime = NOW,
        **more: object,
    ) -> None:
        key = f"{place.pk}-{at.isoformat()}-{value}"
        rate(Actor(None, "command", now), [Felt(place, value, at, key, **more)])  # type: ignore[arg-type]


def noon(day: date) -> datetime:
    return datetime.combine(day, time(12), NOW.tzinfo)


def begun(count: int = 16, *, only_tried: bool = False, **changes: object) -> Field:
    """A trial whose vans were all changed on the first day, unless only the tried ones were."""
    of = service(km=60_000)
    usual, tried = products()
    cars = vans(count, depot())
    chain.refresh([one.pk for one in cars], NOW)
    trial = set_up(PROGRAM, given(of, usual, tried, **changes))
    assign(PROGRAM, trial, cars, few_because="a small scene")
    field = Field(trial, cars)
    for place in field.places:
        if place.group.tried or not only_tried:
            field.change(place, STARTS_ON)
    return field


def at_its_end(field: Field) -> TrialResult:
    """The one evaluation, on the day after the last one."""
    field.trial.ends_on = NOW.date() - timedelta(days=1)
    field.trial.save()
    return evaluate(field.trial, NOW)


Feel = Callable[[TrialVehicle, float, np.random.Generator], float]


def rated(field: Field, feel: Feel, *, seed: int = 5, every_d: int = 14) -> None:
    """Ratings every fortnight; ``feel`` says how it felt at so many days, before rounding."""
    rng = np.random.default_rng(seed)
    all_of_it = []
    for place in field.places:
        for days in range(3, 190, every_d):
            at = noon(STARTS_ON + timedelta(days=days))
            value = int(np.clip(np.rint(feel(place, days, rng)), 1, 5))
            all_of_it.append(Felt(place, value, at, f"{place.pk}-{days}"))
    rate(PROGRAM, all_of_it)


def alike(_: TrialVehicle, days: float, rng: np.random.Generator) -> float:
    """Fresh fluid feels better for a month, whatever the brand."""
    return float(3 + 1.5 * (days < 30) + rng.normal(0, 0.7))


def better(place: TrialVehicle, days: float, rng: np.random.Generator) -> float:
    """The tried product is a point better at every age."""
    return alike(place, days, rng) + (1.2 if place.group.tried else 0)
