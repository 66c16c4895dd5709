"""Coolant is judged by the winter of the vehicle's own depot, on the card as in the record.

Limits by hand: the coldest month's mean daily minimum less 15 °C, at most -15 °C (our choice).
"""

import pytest

from fleet.due.models import CheckFigure, DueEarlier
from fleet.vehicles.models import ClimateMonth
from fleet.workorders import checks, confirming, jobcard, progress
from fleet.workorders.confirming import PointSeen
from fleet.workorders.models import Procedure
from tests.kept import kept
from tests.scene import INVENTED
from tests.workorders.conftest import Bay


@kept
def figure(bay: Bay) -> CheckFigure:
    return CheckFigure.objects.create(
        service=bay.oil,
        slug="freeze-point",
        name="Freeze point",
        unit="°C",
        pass_from=-40,
        pass_to=-30,
        watch_from=-45,
        watch_to=-25,
        follows_frost=True,
        calls_for=bay.oil,
        source=INVENTED,
    )


def winter(bay: Bay, coldest_c: float) -> None:
    ClimateMonth.objects.update_or_create(
        depot=bay.van.depot,
        month=1,
        defaults={
            "mean_daily_max_c": coldest_c + 10,
            "mean_daily_min_c": coldest_c,
            "source": INVENTED,
        },
    )


def outcome(bay: Bay, figure: CheckFigure, value_c: float) -> str:
    given = {"vehicle": bay.van, "figure": figure, "value": value_c}
    actor = bay.actor(bay.mechanic)
    return checks.record_check(actor, **given, client_key=f"freeze-point-{value_c}").outcome


@pytest.mark.parametrize(
    ("coldest_c", "outcomes"),
    [
        (None, ["fail", "fail", "fail", "pass"]),  # the book's own: up to -30, watched up to -25
        (8, ["fail", "pass", "pass", "pass"]),  # -15 to -10
        (-9, ["fail", "fail", "watch", "pass"]),  # -24 to -19
    ],
)
def test_the_same_coolant_passes_in_one_climate_and_fails_in_another(
    bay: Bay, figure: CheckFigure, coldest_c: float | None, outcomes: list[str]
) -> None:
    ClimateMonth.objects.filter(depot=bay.van.depot).delete()
    if coldest_c is not None:
        winter(bay, coldest_c)
    assert [outcome(bay, figure, value_c) for value_c in (-9, -16, -20, -35)] == outcomes


def test_the_call_that_follows_names_the_target(bay: Bay, figure: CheckFigure) -> None:
    winter(bay, -9)
    assert outcome(bay, figure, -10) == "fail"
    assert "frost target of the depot −24 °C" in DueEarlier.objects.get().reason


def test_the_card_shows_the_limits_of_the_vehicle_s_own_depot(
    bay: Bay, figure: CheckFigure
) -> None:
    winter(bay, -9)
    (shown,) = jobcard.card(bay.order().pk, []).jobs[0].figures
    assert (shown.pass_from, shown.pass_to, shown.watch_to) == (-40, -24, -19)


@pytest.mark.parametrize(("coldest_c", "well"), [(8, True), (-9, False)])
def test_a_re_check_is_held_by_the_winter_of_the_depot_too(
    bay: Bay, figure: CheckFigure, coldest_c: float, well: bool
) -> None:
    """Watched down to -10 °C where the coldest month has 8 °C: -16 °C is right there."""
    winter(bay, coldest_c)
    figure.pass_to = figure.watch_to = -30
    figure.save()
    procedure = Procedure.objects.create(
        service=bay.oil, family="coolant", edition="1", source=INVENTED, minutes=10
    )
    procedure.steps.create(
        number=1, kind="measure", text="Freeze point.", confirm=True, figure="freeze-point"
    )
    order = bay.order()
    progress.release(bay.actor(), order.pk)
    progress.start(bay.actor(bay.mechanic), order.pk)
    done = confirming.confirm(
        bay.actor(bay.mechanic),
        order.jobs.get().pk,
        PointSeen(client_key="freeze-step", step=1, value=-16),
    )
    assert done.record.seen is well
