"""Work in the depots' own bays: orders from draft to sign-off, with what was recorded and seen."""

from collections.abc import Callable, Iterator, Sequence
from datetime import date, datetime, timedelta
from functools import partial

from numpy.random import Generator

from fleet.demo.clock import Clock
from fleet.demo.drive import Drive, chance
from fleet.demo.fixtures import Line
from fleet.demo.orders import Shop
from fleet.demo.service_days import Visit
from fleet.due.baselines import Baseline, enter_baselines
from fleet.due.calls import standing
from fleet.people.actor import Actor
from fleet.workorders import findings
from fleet.workorders.models import Finding, WorkOrder

MECHANICS = {  # by weekday, Monday first
    "brethkamm-hill": ("sanna", "mika", "sanna", "mika", "mika"),
    "ulmesqua-coast": ("lio", "orrin", "lio", "orrin", "lio"),
    "zarrovend-plain": ("orrin", "desta", "orrin", "desta", "desta", "desta"),
}
RECORDED_D = 60  # orders older than that were recorded in fewer words
LOOKED_AGAIN_D = 2
SIGNED_OFF_D = 2
BREAKS, DEFECTIVE, WATCHED = 0.12, 0.16, 0.1  # shares: of jobs, of orders, of moisture values
LOW = 0.25  # share of visits without a change on which the engine oil was low
NOTEBOOK = "the mechanics' notebook of re-checks, invented for the demo"
BACK_D, REMEDY_MIN = 12, 25
SEEN = (  # kind, what, and what puts it right, where looking again does not do: invented
    (Finding.Kind.SEEP, "Damp around the plug, no drops on the floor.", ""),
    (Finding.Kind.WEAR, "Clamp of a hose has bitten into the rubber.", "Put a new hose and clamp"),
    (Finding.Kind.WEAR, "A cable tie holds the brake hose at the axle.", "Put a new bracket on"),
    (Finding.Kind.SEEP, "Oil film below the housing, wiped clean to look again.", ""),
)
DRY = "wiped clean and looked at again on the next visit: dry"


class OwnWork:
    """Works one visit after the other off."""

    def __init__(self, vans: Sequence[Drive], now: datetime, today: date) -> None:
        self.shop = Shop(vans, now, today)
        self.now, self.today = now, today
        self.coming_back: list[tuple[date, Finding, WorkOrder, Visit]] = []

    def work(self, visit: Visit, clock: Clock) -> None:
        """The order of a visit, as far as it has come by now."""
        rng = chance(visit.van.number, 6_000 + visit.day.toordinal())
        ago_d = (self.today - visit.day).days
        clock.now = self.shop.now = min(clock.now + timedelta(days=SIGNED_OFF_D), self.now)
        vehicle = self.shop.vehicle(visit.van.number)
        self._close_what_was_seen(vehicle.pk)
        order = self.shop.order(self._line(visit, vehicle.depot.slug, rng))
        if order is None:
            return
        if rng.uniform() < DEFECTIVE:
            kind, text, remedy = SEEN[int(rng.integers(len(SEEN)))]
            found = self._see(order, kind, text)
            if remedy:
                self._call_back(found, remedy, visit)
        if ago_d >= LOOKED_AGAIN_D:
            self._look_again(visit)

    def events(
        self, first: date, until: date, clock: Clock
    ) -> Iterator[tuple[date, Callable[[], None]]]:
        """Vans that come back for what was seen, as far as they come back by now."""
        come = [one for one in self.coming_back if one[0] < min(until, self.today)]
        self.coming_back = [one for one in self.coming_back if one not in come]
        for day, found, order, visit in come:
            yield max(day, first), partial(self._put_right, found, order, visit, day, clock)

    def _line(self, visit: Visit, depot: str, rng: Generator) -> Line:
        ago_d = (self.today - visit.day).days
        key = f"past-{visit.van.number}-{visit.day}"
        return {
            "Order": key,
            "Vehicle": visit.van.number,
            "Services": ";".join(visit.services),
            "Raised by": "lift",
            "Mechanic": MECHANICS[depot][visit.day.weekday()],
            "Day": visit.day.isoformat(),
            "State": WorkOrder.State.SIGNED_OFF
            if ago_d > SIGNED_OFF_D
            else WorkOrder.State.FINISHED,
            "Job end": "done",
            "Reason": "",
            "Reason text": "",
            "Measured": _measured(rng),
            "Filled with": "",
            "Topped up": _topped_up(visit, rng),
            "Broke": "Undertray clip" if rng.uniform() < BREAKS else "",
            "Note": "",
            "Waiting for": "",
            "Fit for use": WorkOrder.Fit.YES,
            "Restriction": "",
            "Recorded": "whole" if ago_d <= RECORDED_D else "fill",
        }

    def _look_again(self, visit: Visit) -> None:
        """What the finish called for was looked at on the van's next stop, and noted."""
        vehicle = self.shop.vehicle(visit.van.number)
        on = visit.day + timedelta(days=LOOKED_AGAIN_D)
        calls = standing([vehicle.pk]).filter(
            called_by__rule__isnull=False, called_on__range=(visit.day, on - timedelta(days=1))
        )
        services = {call.service_id: call.service for call in calls.select_related("service")}
        given = [
            Baseline(vehicle, service, on, round(visit.van.at(on)), None, NOTEBOOK, "as noted")
            for service in services.values()
        ]
        if given:
            enter_baselines(Actor(self.shop.supervisor, "page", self.shop.now), given)

    # --- findings ----------------------------------------------------------------------------
    def _see(self, order: WorkOrder, kind: str, text: str) -> Finding:
        job = order.jobs.select_related("service__compartment").earliest("pk")
        return findings.report(
            self.shop.actor(order.assigned_to or self.shop.supervisor, self.shop.now),
            findings.Report(
                vehicle=order.vehicle,
                kind=kind,
                severity=Finding.Severity.WATCH,
                text=text,
                client_key=f"demo-seen-{order.number}",
                compartment=job.service.compartment if job.service else None,
                order=order,
            ),
        )

    def _call_back(self, found: Finding, remedy: str, visit: Visit) -> None:
        day = self.shop.open_on(found.vehicle, visit.day + timedelta(days=BACK_D), ahead=False)
        order = findings.follow_up(
            self.shop.actor(self.shop.supervisor, self.shop.now),
            found.pk,
            what=remedy,
            minutes=REMEDY_MIN,
            planned_on=day,
        )
        self.coming_back.append((day, found, order, visit))

    def _put_right(
        self, found: Finding, order: WorkOrder, visit: Visit, day: date, clock: Clock
    ) -> None:
        """The follow-up from release to sign-off; then the finding is closed."""
        clock.now = self.shop.now = min(clock.now + timedelta(days=SIGNED_OFF_D), self.now)
        back = Visit(visit.van, day, ())
        rng = chance(visit.van.number, 6_500 + day.toordinal())
        line = self._line(back, order.depot.slug, rng) | {
            "State": WorkOrder.State.SIGNED_OFF,
            "Broke": "",
            "Topped up": "",
        }
        self.shop.carry_on(order, line, self.shop.begun(order.vehicle, day))
        findings.close(
            self.shop.actor(self.shop.supervisor, self.shop.now),
            found.pk,
            reason=f"put right with {order}",
        )

    def _close_what_was_seen(self, vehicle_id: int) -> None:
        open_ones = Finding.objects.filter(vehicle=vehicle_id, closed_at=None, text__in=_TEXTS)
        for found in open_ones:
            findings.close(
                self.shop.actor(self.shop.supervisor, self.shop.now), found.pk, reason=DRY
            )


_TEXTS = [text for _, text, remedy in SEEN if not remedy]


def _topped_up(visit: Visit, rng: Generator) -> str:
    """Engine oil put in between changes [L], where there is an engine and it was low."""
    low, litres = rng.uniform() < LOW, rng.uniform(0.2, 0.6)
    changed = "engine-oil" in visit.services
    return f"{litres:.1f}" if low and not changed and visit.van.has_engine else ""


def _measured(rng: Generator) -> str:
    """What instruments showed, for whatever of it a job asks for."""
    watched = rng.uniform() < WATCHED
    moisture = float(rng.uniform(2.1, 2.8) if watched else rng.uniform(0.5, 1.8))
    values = {
        "moisture": moisture,
        "boiling-point": 255 - 25 * moisture,
        "freeze-point": rng.uniform(-37, -31),
        "ph": rng.uniform(7.8, 8.9),
        "urea": rng.uniform(32.1, 32.9),
        "water": rng.uniform(1, 8),
        "oil-temperature": rng.uniform(38, 43),
        "conductivity": rng.uniform(20, 80),
    }
    return ";".join(f"{slug}={value:.1f}" for slug, value in values.items())
