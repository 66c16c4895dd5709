"""By how much bands of distance and hours are widened: a version of the rules for each month."""

from datetime import date

from django.db import connection

from fleet.due.models import GuardFactor


def newest() -> GuardFactor | None:
    return next(iter(GuardFactor.objects.order_by("-month_end_on")[:1]), None)


def in_force() -> float:
    """The factor of the newest version, 1 before there is any."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT factor FROM due_guardfactor ORDER BY month_end_on DESC LIMIT 1")
        row = cursor.fetchone()
    return float(row[0]) if row else 1.0


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
