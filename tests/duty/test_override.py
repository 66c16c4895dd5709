from datetime import date
from typing import Any

import pytest

from fleet.duty.models import DutyOverride
from fleet.duty.override import override
from tests.cast import cast


@pytest.mark.django_db
def test_a_decision_that_replaces_another_keeps_both_in_the_history() -> None:
    people = cast()
    given: dict[str, Any] = {
        "vehicle_id": people.van.pk,
        "compartment_id": people.engine.pk,
        "from_on": date(2026, 3, 1),
        "until_on": date(2026, 9, 1),
        "person": people.supervisor,
    }
    override(**given, duty_class="severe", reason="Mountain round")
    override(**given, duty_class="normal", reason="Round was changed")
    (decided,) = DutyOverride.objects.all()
    kept = decided.history.order_by("history_id").values_list("duty_class", "reason")
    assert list(kept) == [("severe", "Mountain round"), ("normal", "Round was changed")]
