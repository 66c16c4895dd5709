"""The running field trial of the demo: a dearer gearbox oil in one half of the large-panel vans.

Everything is invented. What raters felt is drawn with a fixed seed: fresh oil feels better for a
month, wears slowly, and the dearer one is a little better at every age.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

import numpy as np

from fleet.demo.drive import Drive, chance
from fleet.due.models import Fill, Service
from fleet.due.record import record_fill
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.stores.models import Product
from fleet.trials.assign import assign
from fleet.trials.evaluate import evaluate
from fleet.trials.models import Trial, TrialVehicle
from fleet.trials.rate import Felt, LabLimits, Measured, add_samples, name_property, rate
from fleet.trials.set_up import Costs, SetUp, set_up
from fleet.vehicles.models import ClimateMonth, Vehicle

NAME, SOURCE = "Dearer gearbox oil", "invented for the demo"
TYPE, SERVICE = "pv-l", "gearbox-oil"
BEGAN_D, LASTS_D = 400, 900  # days ago, and days in all
FIRST_DAYS_D = 12  # within which every van was changed
ELSEWHERE = ("unknown", "off road", "unread", "overdue gearbox-oil")  # stories that leave a van out
WITHOUT = ("305", "306", "307")  # their gearbox is worked on in the demo's orders
EVERY_D, MISSED = 24, 0.2
SEED = 7
FRESH, FRESH_D, WORN_PER_10_000_KM, BETTER = 1.3, 10.0, 0.15, 0.75
SAMPLE_KM, LAST_SAMPLE_KM = 9_000.0, 60_000.0


def takes_part(drive: Drive) -> bool:
    """Whether a van is in the trial: watched since before it, its gearbox not at issue."""
    joined = date.fromisoformat(drive.van["Joined on"])
    return (
        drive.van["Vehicle type"] == TYPE
        and not drive.story.startswith(ELSEWHERE)
        and drive.number not in WITHOUT
        and (drive.today - joined).days > BEGAN_D + 25
    )


def changed_on(drive: Drive) -> date:
    """The day of the fresh change with which a van began the trial."""
    days = int(chance(drive.number, 600).integers(FIRST_DAYS_D))
    return drive.today - timedelta(days=BEGAN_D - days)


def add_trial(vans: Sequence[Drive], now: datetime, today: date) -> None:
    """Set the trial up, fill both oils in, and send what was felt and measured. May run again."""
    engineer = Person.objects.filter(role="engineer").earliest("id")
    actor = Actor(engineer, "sheet", now)
    within = {drive.number: drive for drive in vans if takes_part(drive)}
    trial = Trial.objects.filter(name=NAME).first() or set_up(actor, _given(today))
    if not trial.vehicles.exists():
        assign(actor, trial, list(Vehicle.objects.filter(fleet_number__in=within)))
    rows = trial.vehicles.select_related("vehicle__depot", "trial__service", "group__product")
    places = [Place(row, within[row.vehicle.fleet_number]) for row in rows]
    for place in places:
        place.fill()
    weather = _weather()
    rate(actor, [felt for place in places for felt in place.felt(weather)])
    _add_samples(actor, trial, places)
    evaluate(trial, now)


def _given(today: date) -> SetUp:
    starts_on = today - timedelta(days=BEGAN_D)
    return SetUp(
        name=NAME,
        service=Service.objects.get(vehicle_type__slug=TYPE, slug=SERVICE),
        usual=Product.objects.get(slug="stock-gear-oil"),
        tried=Product.objects.get(slug="dearer-gear-oil"),
        usual_price_minor_per_l=1_200,
        tried_price_minor_per_l=1_560,  # 30 % more, as in the worked example
        starts_on=starts_on,
        ends_on=starts_on + timedelta(days=LASTS_D),
        source=SOURCE,
        costs=Costs(labour_minor=4_500, materials_minor=650, visit_minor=2_000),
        question="How easily does it shift?",
        proposed_interval_km=80_000,
        ratings_per_vehicle=24,
        seed=SEED,
    )


Weather = dict[tuple[int, int], float]  # depot id and month -> mean temperature [°C]


def _weather() -> Weather:
    rows = ClimateMonth.objects.filter(year=0)
    return {
        (row.depot_id, row.month): (row.mean_daily_max_c + row.mean_daily_min_c) / 2 for row in rows
    }


@dataclass(frozen=True)
class Place:
    """A van of the trial, and how it was really driven."""

    row: TrialVehicle
    drive: Drive

    @property
    def since(self) -> date:
        return changed_on(self.drive)

    def age_km(self, day: date) -> float:
        return self.drive.at(day) - self.drive.at(self.since)

    def fill(self) -> None:
        """What its group prescribes went in at the change that began the trial."""
        trial, product = self.row.trial, self.row.group.product
        compartment = trial.service.compartment
        fills = Fill.objects.filter(
            vehicle=self.row.vehicle,
            compartment=compartment,
            product=product,
            filled_on=self.since,
        )
        if not fills.exists():
            record_fill(
                Fill(
                    vehicle=self.row.vehicle,
                    compartment=compartment,
                    product=product,
                    filled_on=self.since,
                    quantity_ml=trial.quantity_ml,
                    source=SOURCE,
                ),
            )

    def felt(self, weather: Weather) -> Iterator[Felt]:
        rng = chance(self.drive.number, 601)
        lean = rng.normal(2.9, 0.45) + BETTER * self.row.group.tried
        day = self.since + timedelta(days=int(rng.integers(2, EVERY_D)))
        while day < self.drive.today:
            value = self._grade(day, lean, rng)
            mean_c = weather[self.row.vehicle.depot_id, day.month] + rng.normal(0, 3)
            if rng.uniform() > MISSED:
                at = datetime.combine(day, time(int(rng.integers(7, 17))), UTC)
                key = f"demo-{self.drive.number}-{day}"
                yield Felt(self.row, value, at, key, round(float(mean_c), 1), by="driver")
            day += timedelta(days=int(rng.integers(EVERY_D - 6, EVERY_D + 7)))

    def _grade(self, day: date, lean: float, rng: np.random.Generator) -> int:
        age_d = (day - self.since).days
        fresh = FRESH * np.exp(-age_d / FRESH_D)
        worn = WORN_PER_10_000_KM * self.age_km(day) / 10_000
        return int(np.clip(np.rint(rng.normal(lean + fresh - worn, 0.75)), 1, 5))

    def sampled(self) -> Iterator[tuple[date, float]]:
        """Days on which a sample was drawn, with the fluid's age in km."""
        for due_km in np.arange(SAMPLE_KM, LAST_SAMPLE_KM, SAMPLE_KM):
            later = self.drive.km - self.drive.at(self.since) >= due_km
            at = int(np.argmax(later))
            day = self.drive.first + timedelta(days=at)
            if not later.any() or day >= self.drive.today:
                return
            yield day, self.age_km(day)


def _add_samples(actor: Actor, trial: Trial, places: Sequence[Place]) -> None:
    iron = name_property(
        actor,
        trial,
        LabLimits(name="Iron", slug="iron", unit="mg/kg", high=120, gathers=True, source=SOURCE),
    )
    thickness = name_property(
        actor,
        trial,
        LabLimits(
            name="Viscosity at 100 °C",
            slug="viscosity-100",
            unit="mm²/s",
            low=7.0,
            high=11.0,
            source=SOURCE,
        ),
    )
    given = []
    for place in places:
        rng = chance(place.drive.number, 602)
        start, tried = rng.normal(9.1, 0.1), place.row.group.tried
        for day, age_km in place.sampled():
            worn = age_km / 10_000
            report, key = f"lab {day:%Y-%m}", f"demo-{place.drive.number}-{day}"
            metal = 6 + (10 if tried else 13) * worn + rng.normal(0, 2)
            thin = start - (0.08 if tried else 0.17) * worn + rng.normal(0, 0.05)
            iron_now, thin_now = round(float(metal), 1), round(float(thin), 2)
            given.append(Measured(place.row, iron, day, iron_now, report, f"{key}-iron"))
            given.append(Measured(place.row, thickness, day, thin_now, report, f"{key}-visc"))
    add_samples(actor, given)
