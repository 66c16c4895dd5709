"""By how much bands of distance and hours are widened: a version of the rules for each month."""

from datetime import date

from fleet.due.models import GuardFactor

IN_FORCE = "SELECT factor FROM due_guardfactor ORDER BY month_end_on DESC LIMIT 1"


def newest() -> GuardFactor | None:
    return next(iter(GuardFactor.objects.order_by("-month_end_on")[:1]), None)


def in_force() -> float:
    """The factor of the newest version, 1 before there is any."""
    version = newest()
    return 1.0 if version is None else version.factor


def put_in_force(month_end_on: date, factor: float, outcomes: int, inside_share: float) -> None:
    """Keep a new version, where the factor is not the one in force.

    Parameters
    ----------
    outcomes
        Of how many forecasts it rests on what came of them.
    inside_share
        Of these, the share within the bands before any widening.
    """
    if factor != in_force():
        GuardFactor.objects.update_or_create(
            month_end_on=month_end_on,
            defaults={"factor": factor, "outcomes": outcomes, "inside_share": inside_share},
        )
