"""For which vehicles a dearer fluid can pay at all: a long interval is no use to one that is
changed by the calendar first."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from fleet.calc.trial_economics import can_pay
from fleet.due.models import DueDate, Limit
from fleet.trials.models import Trial
from fleet.usage.models import UsageState
from fleet.vehicles.models import Vehicle

IN_FLEET = (Vehicle.Status.IN_USE, Vehicle.Status.HIRED_IN)


@dataclass(frozen=True)
class Paying:
    """Vehicles of the trial's type, by fleet number."""

    can: tuple[str, ...]
    cannot: tuple[str, ...]  # the calendar asks for a change before the break-even interval
    not_known: tuple[str, ...]  # without a limit in km, or without accepted readings
    break_even_km: dict[str, float]  # by duty class
    of_class: dict[str, list[int]]  # by duty class: for how many it can pay, of how many


def of_trial(trial: Trial, ratio: float) -> Paying:
    """Hold the break-even of each vehicle's own duty class against its calendar limit.

    Parameters
    ----------
    trial
        The trial.
    ratio
        Cost of a change with the tried product, in changes with the usual one.
    """
    limits = _limits(trial)
    classes = dict(
        DueDate.objects.filter(service=trial.service).values_list("vehicle_id", "duty_class")
    )
    km_per_day = _km_per_day(trial)
    vehicles = list(
        Vehicle.objects.filter(vehicle_type=trial.service.vehicle_type, status__in=IN_FLEET)
        .order_by("fleet_number")
        .values_list("pk", "fleet_number")
    )
    known = [(pk, number) for pk, number in vehicles if classes.get(pk) in limits]
    known = [(pk, number) for pk, number in known if pk in km_per_day]
    of_class = [limits[classes[pk]] for pk, _ in known]
    paying = can_pay(
        [km_per_day[pk] for pk, _ in known],
        [months for _, months in of_class],
        [km for km, _ in of_class],
        ratio,
    )
    told = {number: bool(one) for (_, number), one in zip(known, paying, strict=True)}
    duties = [classes[pk] for pk, _ in known]
    return Paying(
        can=tuple(number for number, one in told.items() if one),
        cannot=tuple(number for number, one in told.items() if not one),
        not_known=tuple(number for _, number in vehicles if number not in told),
        break_even_km={name: km * ratio for name, (km, _) in sorted(limits.items())},
        of_class={
            duty: [
                sum(bool(one) for one, of in zip(paying, duties, strict=True) if of == duty),
                duties.count(duty),
            ]
            for duty in sorted(set(duties))
        },
    )


def _limits(trial: Trial) -> dict[str, tuple[float, float]]:
    """Interval [km] and calendar limit [months, NaN: none] of the usual fluid, by duty class."""
    rows = Limit.objects.filter(
        service=trial.service,
        product=None,
        occasion=Limit.Occasion.REPEAT,
        limit_km__isnull=False,
    )
    return {
        row.duty_class: (row.limit_km or 0.0, float(row.limit_months or np.nan)) for row in rows
    }


def _km_per_day(trial: Trial) -> dict[int, float]:
    rows = UsageState.objects.filter(
        meter__kind="km", vehicle__vehicle_type=trial.service.vehicle_type
    )
    return {
        vehicle_id: rate * mu
        for vehicle_id, rate, mu in rows.values_list("vehicle_id", "rate_km_per_day", "mu")
    }


def can_in_words(paying: dict[str, Any]) -> str:
    """For how many vehicles the tried product can pay, each in its own duty."""
    can, every = len(paying["can"]), len(paying["can"]) + len(paying["cannot"])
    by_class = [
        f"{number} of {of} in {duty} duty"
        for duty, (number, of) in (paying.get("of_class") or {}).items()
    ]
    told = f"It can pay for {can} of {every} vehicles of the type, each counted in its own duty"
    return f"{told}: {', '.join(by_class)}." if by_class else f"{told}."


def in_words(paying: dict[str, Any] | None) -> list[str]:
    """For how many vehicles, and which, the tried product can pay; from a stored result."""
    if paying is None:
        return []
    can, cannot, unknown = (paying[name] for name in ("can", "cannot", "not_known"))
    told = [can_in_words(paying)]
    if cannot:
        told.append(
            f"It cannot for {', '.join(cannot)}: the calendar asks for a change before they have "
            "driven so far."
        )
    if unknown:
        told.append(f"Not known for {', '.join(unknown)}: no readings, or no limit in km.")
    return told
