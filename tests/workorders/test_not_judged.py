"""A measured value for which nobody has entered limits is not judged, never passed."""

from datetime import date
from importlib import import_module

import pytest
from django.apps import apps

from fleet.due.models import CheckFigure, CheckResult, DueEarlier
from fleet.workorders.checks import outcome, record_check
from fleet.workorders.evidence import pack
from tests.scene import INVENTED
from tests.workorders.conftest import Bay

UNLIMITED = {"pass_from": None, "pass_to": None, "watch_from": None, "watch_to": None}
MIGRATION = "fleet.due.migrations.0015_values_without_limits_are_not_judged"


def figure(bay: Bay, slug: str, **limits: float | None) -> CheckFigure:
    words = {"slug": slug, "name": "Colour", "unit": "grade", "source": INVENTED}
    return CheckFigure.objects.create(service=bay.oil, calls_for=bay.oil, **words, **limits)


@pytest.mark.parametrize("value", [-1e9, 0.0, 151.0])
def test_without_limits_nothing_is_judged_and_nothing_follows(bay: Bay, value: float) -> None:
    given = {"vehicle": bay.van, "figure": figure(bay, "colour"), "value": value}
    kept = record_check(bay.actor(bay.mechanic), **given, client_key="colour-key")
    assert kept.outcome == "not judged"
    assert not DueEarlier.objects.exists()


@pytest.mark.parametrize("limit", list(UNLIMITED))
def test_one_limit_is_enough_to_judge(limit: str) -> None:
    assert outcome(CheckFigure(**(UNLIMITED | {limit: 180.0})), 200.0) != "not judged"


def test_old_passes_without_limits_become_not_judged(bay: Bay) -> None:
    for slug, limits in (("free", {}), ("limited", {"pass_from": 180.0})):
        given = {"vehicle": bay.van, "figure": figure(bay, slug, **limits), "value": 200.0}
        record_check(bay.actor(bay.mechanic), **given, client_key=f"{slug}-key")
    CheckResult.objects.update(outcome="pass")
    import_module(MIGRATION).judge_no_more(apps, None)
    told = dict(CheckResult.objects.values_list("figure__slug", "outcome"))
    assert told == {"free": "not judged", "limited": "pass"}


def test_what_a_document_says_is_recorded_and_not_judged(bay: Bay) -> None:
    (line,) = pack(bay.van.pk)
    assert (line.done_on, line.total_km, line.judged) == (date(2025, 11, 1), 1_000, False)
    assert line.deviation == "not judged: from a document"
