"""A sign left out is asked about before anything follows from it."""

import pytest

from fleet.due.models import CheckFigure, CheckResult, DueEarlier
from fleet.faults import Question
from fleet.workorders import checks
from tests.scene import INVENTED
from tests.workorders.conftest import Bay


def freeze_point(bay: Bay, **limits: float) -> CheckFigure:
    return CheckFigure.objects.create(
        service=bay.oil,
        slug="freeze-point",
        name="Freeze point",
        unit="°C",
        calls_for=bay.oil,
        source=INVENTED,
        **(limits or {"pass_to": -25}),
    )


def check(bay: Bay, figure: CheckFigure, value: float, reason: str = "") -> CheckResult:
    return checks.record_check(
        bay.actor(bay.mechanic),
        vehicle=bay.van,
        figure=figure,
        value=value,
        client_key="freeze-01",
        override_reason=reason,
    )


def test_a_freeze_point_above_zero_asks_before_it_calls_a_change(bay: Bay) -> None:
    figure = freeze_point(bay)
    with pytest.raises(Question, match="Is the sign right") as asked:
        check(bay, figure, 35)
    assert asked.value.candidates == ("-35: the minus sign left out",)
    assert not CheckResult.objects.exists()
    assert not DueEarlier.objects.exists()
    row = check(bay, figure, 35, "water only, read twice")
    assert (row.outcome, row.override_reason) == ("fail", "water only, read twice")
    assert row.question.endswith("it passes below zero only. Is the sign right?")
    assert DueEarlier.objects.exists()


def test_a_minus_too_many_is_asked_about_too(bay: Bay) -> None:
    figure = freeze_point(bay, pass_from=180)
    with pytest.raises(Question, match="above zero only"):
        check(bay, figure, -185)


@pytest.mark.parametrize(
    ("limits", "value"),
    [({"pass_to": -25}, -35), ({"pass_to": -25}, -10), ({"pass_to": 5}, 3), ({"pass_from": 2}, 1)],
)
def test_a_value_on_the_right_side_of_zero_is_no_question(
    bay: Bay, limits: dict[str, float], value: float
) -> None:
    assert check(bay, freeze_point(bay, **limits), value).question == ""


def test_what_is_called_for_names_as_much_of_a_long_source_as_is_kept(bay: Bay) -> None:
    figure = freeze_point(bay)
    CheckFigure.objects.update(source="book " * 60)  # 300 characters, as many as a source may have
    figure.refresh_from_db()
    check(bay, figure, -10)
    reason = DueEarlier.objects.get().reason
    assert reason.startswith("Freeze point −10 °C: fail (book book")
    assert len(reason) == 300  # the longest that the column keeps
