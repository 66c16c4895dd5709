"""Where a book tells another distance of looking again than its rule, the rule holds; it is said.

1 mi is 1.609344 km: 25 and 50 of them are 40.2 and 80.5 km.
"""

import pytest

from fleet.workorders import jobcard
from fleet.workorders.models import Step
from fleet.workorders.rules import told_otherwise
from tests.kept import kept
from tests.workorders.conftest import Bay
from tests.workorders.wheels import Workshop, workshop


@kept
def shop(bay: Bay) -> Workshop:
    made = workshop(bay)
    made.rule(from_km=40.2336, to_km=80.4672, stated_unit="mi")
    return made


SAID = "van gearbox-oil: {} km, but after 40 to 80 km (25 to 50 mi) by its rule"


@pytest.mark.parametrize(
    ("after_km", "named"),
    [(None, ""), (30, "30"), (40, ""), (50, ""), (80.5, ""), (81, ""), (100, "100")],
)
def test_a_distance_outside_that_of_the_rule_is_named_and_not_shown(
    shop: Workshop, after_km: float | None, named: str
) -> None:
    shop.procedure.retorque_after_km = after_km
    shop.procedure.save()
    assert told_otherwise() == ([SAID.format(named)] if named else [])
    job = shop.started()
    (card,) = jobcard.card_of(job.order, [job.order.depot]).jobs
    assert card.retorque_after_km == 80.4672


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("Re-tighten the nuts after 100 km.", "100"),
        ("Nuts again after 1,000 km.", "1,000"),
        ("Nuts again after 60 mi.", "97"),  # by hand: 96.6
        ("Nuts again after 50 mi.", ""),
        ("Nuts again after 50 km.", ""),
        ("Flush it every 40,000 km.", ""),  # nothing of looking again
        ("Nuts again after 30 min.", ""),
    ],
)
def test_so_is_one_in_a_text_of_the_procedure(shop: Workshop, text: str, named: str) -> None:
    Step.objects.create(procedure=shop.procedure, number=90, kind="other", text=text)
    assert told_otherwise() == ([SAID.format(named)] if named else [])
    Step.objects.all().delete()
    shop.procedure.note = text
    shop.procedure.save()
    assert told_otherwise() == ([SAID.format(named)] if named else [])


def test_a_rule_that_only_waits_days_contradicts_no_distance(bay: Bay) -> None:
    made = workshop(bay)
    made.rule(to_km=None, after_d=14)
    made.procedure.retorque_after_km = 50
    made.procedure.save()
    assert told_otherwise() == []


def test_a_distance_of_either_of_two_rules_is_none_of_another(shop: Workshop) -> None:
    shop.rule(slug="later", from_km=None, to_km=500)
    for after_km, named in ((60, False), (500, False), (499, False), (498, True), (300, True)):
        shop.procedure.retorque_after_km = after_km
        shop.procedure.save()
        assert bool(told_otherwise()) == named, after_km
