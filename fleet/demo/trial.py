"""The field trials of the demo: a dearer gearbox oil in one half of the large-panel vans, which
runs, and before that in the heavy ones, which is evaluated.

Everything is invented. What raters felt is drawn with a fixed seed: fresh oil feels better for a
month, wears slowly, and the dearer one is a little better at every age.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

import numpy as np

from fleet.demo.drive import Drive, chance, is_further
from fleet.due.models import Fill, Service
from fleet.due.record import record_fill
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.stores.models import Product
from fleet.trials.assign import assign
from fleet.trials.evaluate import evaluate
from fleet.trials.models import Trial, TrialVehicle
from fleet.trials.outcome import frozen_of
from fleet.trials.rate import Felt, LabLimits, Measured, add_samples, name_property, rate
from fleet.trials.set_up import Costs, SetUp, set_up
from fleet.vehicles.models import ClimateMonth, Vehicle

SOURCE, SERVICE = "invented for the demo", "gearbox-oil"
WEEKEND_D = 2
FIRST_DAYS_D = 12  # within which every van was changed
ELSEWHERE = ("unknown", "off road", "unread", "overdue gearbox-oil")  # stories that leave a van out
EVERY_D, MISSED = 24, 0.2
FRESH, FRESH_D, WORN_PER_10_000_KM = 1.3, 10.0, 0.15
SAMPLE_KM, LAST_SAMPLE_KM = 9_000.0, 60_000.0
FEW = "there are no more heavy vans; invented for the demo"


@dataclass(frozen=True)
class Story:
    """A trial of the dearer oil, and how much better it truly feels."""

    name: str
    vehicle_type: str
    began_d: int  # days ago
    lasts_d: int
    better: float  # grades
    seed: int
    purpose: int  # of its chances
    without: tuple[str, ...]

    def takes_part(self, drive: Drive) -> bool:
        """Whether a van is in it: watched since before it, its gearbox not at issue."""
        joined = date.fromisoformat(drive.van["Joined on"])
        return (
            drive.van["Vehicle type"] == self.vehicle_type
            and not drive.story.startswith(ELSEWHERE)
            and drive.number not in self.without
            and (drive.today - joined).days > self.began_d + 25
            and not is_further(drive)
        )

    def changed_on(self, drive: Drive) -> date:
        """The day of the fresh change with which a van began."""
        days = int(chance(drive.number, self.purpose).integers(FIRST_DAYS_D))
        return drive.today - timedelta(days=self.began_d - days)

    def is_its_change(self, drive: Drive, day: date) -> bool:
        """Whether a visit is the one with which a van began; a weekend may lie between."""
        return abs((day - self.changed_on(drive)).days) <= WEEKEND_D

    def starts_on(self, today: date) -> date:
        return today - timedelta(days=self.began_d)

    def ends_on(self, today: date) -> date:
        return self.starts_on(today) + timedelta(days=self.lasts_d)


RUNNING = Story(  # the gearbox of those left out is worked on in the demo's orders
    *("Dearer gearbox oil", "pv-l", 400, 900), 0.75, 7, 600, without=("305", "306", "307")
)
ENDED = Story(
    *("Dearer gearbox oil in heavy vans", "pv-xl", 1_000, 520), 0.75, 8, 610, without=("311",)
)


def begun_by(drive: Drive, slug: str) -> Story | None:
    """The trial that a van's change of a service began, if any."""
    found = (one for one in (RUNNING, ENDED) if slug == SERVICE and one.takes_part(drive))
    return next(found, None)


def add_trial(vans: Sequence[Drive], now: datetime, today: date) -> None:
    """Bring the running trial to today. May run again."""
    running = Conducted(RUNNING, vans, today)
    running.begin(now)
    running.fill()
    running.send(running.starts_on, today, now)
    running.evaluate(now)


class Conducted:
    """A trial under way: set up, filled in, and what was felt and measured sent."""

    def __init__(self, story: Story, vans: Sequence[Drive], today: date) -> None:
        self.story, self.today = story, today
        self.starts_on, self.ends_on = story.starts_on(today), story.ends_on(today)
        self.within = {drive.number: drive for drive in vans if story.takes_part(drive)}
        self.engineer = Person.objects.filter(role="engineer").earliest("id")

    def begin(self, now: datetime) -> None:
        actor = Actor(self.engineer, "sheet", now)
        trial = Trial.objects.filter(name=self.story.name).first()
        trial = trial or set_up(actor, _given(self.story, self.today))
        if not trial.vehicles.exists():
            vehicles = list(Vehicle.objects.filter(fleet_number__in=self.within))
            assign(actor, trial, vehicles, few_because=FEW)

    def fill(self) -> None:
        """What its group prescribes went into each van."""
        for place in self._places():
            place.fill()

    def send(self, since: date, until: date, now: datetime) -> None:
        """What was felt and measured from a day on and before another."""
        actor, places, weather = Actor(self.engineer, "sheet", now), self._places(), _weather()
        if frozen_of(self.trial) is not None:
            return  # what comes after the evaluation is no part of it
        felt = [one for place in places for one in place.felt(weather)]
        rate(actor, [one for one in felt if since <= one.rated_at.date() < until])
        _add_samples(actor, self.trial, places, since, until)

    def evaluate(self, now: datetime) -> None:
        evaluate(self.trial, now)

    @property
    def trial(self) -> Trial:
        return Trial.objects.select_related("service").get(name=self.story.name)

    def _places(self) -> "list[Place]":
        rows = self.trial.vehicles.select_related(
            "vehicle__depot", "trial__service", "group__product"
        )
        return [Place(self.story, row, self.within[row.vehicle.fleet_number]) for row in rows]


def _given(story: Story, today: date) -> SetUp:
    return SetUp(
        name=story.name,
        service=Service.objects.get(vehicle_type__slug=story.vehicle_type, slug=SERVICE),
        usual=Product.objects.get(slug="stock-gear-oil"),
        tried=Product.objects.get(slug="dearer-gear-oil"),
        usual_price_minor_per_l=1_200,
        tried_price_minor_per_l=1_560,  # 30 % more, as in the worked example
        starts_on=story.starts_on(today),
        ends_on=story.ends_on(today),
        source=SOURCE,
        costs=Costs(labour_minor=4_500, materials_minor=650, visit_minor=2_000),
        question="How easily does it shift?",
        proposed_interval_km=80_000,
        ratings_per_vehicle=24,
        seed=story.seed,
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

    story: Story
    row: TrialVehicle
    drive: Drive

    @property
    def since(self) -> date:
        return self.story.changed_on(self.drive)

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
        rng = chance(self.drive.number, self.story.purpose + 1)
        lean = rng.normal(2.9, 0.45) + self.story.better * self.row.group.tried
        day = self.since + timedelta(days=int(rng.integers(2, EVERY_D)))
        while day < min(self.drive.today, self.story.ends_on(self.drive.today)):
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
            end = min(self.drive.today, self.story.ends_on(self.drive.today))
            if not later.any() or day >= end:
                return
            yield day, self.age_km(day)


def _add_samples(
    actor: Actor, trial: Trial, places: Sequence[Place], since: date, until: date
) -> None:
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
        rng = chance(place.drive.number, place.story.purpose + 2)
        start, tried = rng.normal(9.1, 0.1), place.row.group.tried
        for day, age_km in place.sampled():
            worn = age_km / 10_000
            report, key = f"lab {day:%Y-%m}", f"demo-{place.drive.number}-{day}"
            metal = 6 + (10 if tried else 13) * worn + rng.normal(0, 2)
            thin = start - (0.08 if tried else 0.17) * worn + rng.normal(0, 0.05)
            iron_now, thin_now = round(float(metal), 1), round(float(thin), 2)
            if not since <= day < until:
                continue
            given.append(Measured(place.row, iron, day, iron_now, report, f"{key}-iron"))
            given.append(Measured(place.row, thickness, day, thin_now, report, f"{key}-visc"))
    add_samples(actor, given)
