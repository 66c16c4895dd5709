"""One job of the demo at the bench: what its procedure asks for, recorded with a fixed seed."""

from collections.abc import Mapping
from typing import cast

from fleet.demo.drive import chance
from fleet.demo.fixtures import Line, words
from fleet.due.models import CheckFigure, Service
from fleet.people.actor import Actor
from fleet.stores.models import Product
from fleet.workorders import checks, confirming, points, recording, torques
from fleet.workorders.fluids import Pouring
from fleet.workorders.fluids import fluid as pour
from fleet.workorders.models import Job, Procedure, Step, Wrench
from fleet.workorders.torques import Tightened

FILL_ONLY = "fill"  # of an order's jobs, what was recorded


class Bench:
    """One job: what its procedure asks for, recorded."""

    def __init__(self, fluids: Mapping[str, str], at: Actor, job: Job, key: str) -> None:
        self.fluids, self.at, self.job, self.key = fluids, at, job, key
        self.service = cast(Service, job.service)
        self.procedure: Procedure = self.service.procedure
        self.refill_l = self.procedure.refill_l or 0.0
        self.rng = chance(job.order.vehicle.fleet_number, 700 + job.order_id)

    def work(self, line: Line, *, whole: bool) -> None:
        """Record a job, whole or as far as it is under way."""
        if line.get("Recorded") != FILL_ONLY:
            if self.refill_l and self.service.kind == Service.Kind.CHANGE:
                self._drained()
            self._torques(whole=whole)
        if whole:
            self._hold()
        if whole and self.refill_l:
            self.fill(self.fluids[self.service.compartment.kind])
        if line["Broke"] and self.procedure.materials.filter(name=line["Broke"]).exists():
            recording.material(
                self.at,
                self.job.pk,
                name=line["Broke"],
                client_key=f"{self.key}-broke",
                pieces=1,
                broken=True,
            )
        self._measure(line)

    def _drained(self) -> None:
        litres = round(self.refill_l * self.rng.uniform(0.9, 1.0), 1)
        kind = self.service.compartment.kind
        look = "dark" if kind in ("engine", "brake") else "clear"
        pour(
            self.at,
            self.job.pk,
            Pouring(way="drained", litres=litres, look=look, client_key=f"{self.key}-out"),
        )

    def fill(self, product: str, because: str = "") -> None:
        pour(
            self.at,
            self.job.pk,
            Pouring(
                way="filled",
                litres=self.refill_l,
                product=Product.objects.get(slug=product),
                batch=f"B{self.rng.integers(1000, 9999)}",
                override_reason=because,
                client_key=f"{self.key}-in",
            ),
        )

    def top_up(self, litres: float) -> None:
        """Engine oil, whatever the job is about."""
        engine = self.job.order.vehicle.vehicle_type.compartments.get(kind="engine")
        pour(
            self.at,
            self.job.pk,
            Pouring(
                way="topped up",
                litres=litres,
                compartment=engine,
                product=Product.objects.get(slug=self.fluids["engine"]),
                client_key=f"{self.key}-top-up",
            ),
        )

    def _torques(self, *, whole: bool) -> None:
        """What a step tightens in any case; of work under way the first only."""
        steps = self.procedure.steps.exclude(fastener="").exclude(kind=Step.Kind.INSPECT)
        slugs = [step.fastener for step in steps]
        ranges = {
            row.slug: (row.torque_nm + (row.torque_max_nm or row.torque_nm)) / 2
            for row in self.procedure.fasteners.exclude(torque_max_nm=None)
        }
        for slug in slugs if whole else slugs[:1]:
            torques.torque(
                self.at,
                self.job.pk,
                Tightened(
                    fastener=slug,
                    torque_nm=ranges.get(slug),
                    wrench=self._wrench(),
                    client_key=f"{self.key}-{slug}",
                ),
            )

    def _wrench(self) -> str:
        """One whose calibration held on the day."""
        on = self.at.at.date()
        rows = Wrench.objects.filter(depot=self.job.order.depot, calibrated_until_on__gte=on)
        return rows.values_list("tag", flat=True).first() or ""

    def _hold(self) -> None:
        """What must be confirmed before the vehicle moves."""
        waited = {point.step for point in points.missing_points(self.job) if point.moving_hold}
        for step in sorted(number for number in waited if number is not None):
            confirming.confirm_all(
                self.at,
                self.job.pk,
                step=step,
                client_key=f"{self.key}-step-{step}",
                wrench=self._wrench(),
            )

    def _measure(self, line: Line) -> None:
        given = dict(pair.split("=") for pair in words(line, "Measured"))
        figures = CheckFigure.objects.filter(service=self.service, slug__in=given)
        for figure in figures.order_by("slug"):
            checks.measure(
                self.at,
                self.job.order,
                figure=figure,
                value=float(given[figure.slug]),
                client_key=f"{self.key}-{figure.slug}",
            )
