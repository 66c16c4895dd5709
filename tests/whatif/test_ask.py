"""A question worked out as in use: on copies, by processes of their own."""

from pathlib import Path
from typing import Any

import pytest
from django.conf import settings

from fleet import jobs
from fleet.faults import Forbidden, Refused
from fleet.people.models import Role
from fleet.readings import leavings
from fleet.runs.models import Run
from fleet.stores.models import Item
from fleet.vehicles.models import Depot
from fleet.whatif import ask
from fleet.whatif.listing import seen_with
from fleet.whatif.models import WhatIf
from tests import scene
from tests.cast import person
from tests.scene import NOW
from tests.whatif.tiny import everything, fleet, row


def asked(*rows: dict[str, Any], **named: Any) -> WhatIf:
    depots = list(Depot.objects.order_by("slug"))
    return ask.ask(rows, depots, NOW, **{"person": None, "channel": "test"} | named)


def figures(result: dict[str, Any]) -> list[dict[str, float]]:
    measures = [*result["measures"].values(), *result["items"]]
    return [one for each in measures for one in (*each["months"], each["total"])]


def left_behind() -> list[Path]:
    return list(Path(settings.DATA_DIR).glob(f"{leavings.SUPPOSED}-*"))


@pytest.fixture
def tiny(transactional_db: None) -> Item:
    return fleet()


def test_both_years_stand_side_by_side_and_no_row_of_the_fleet_is_touched(tiny: Item) -> None:
    before = everything()
    found = ask.work_out(asked(row("limit months", "van/engine-oil", "x 0.5")).pk, NOW)
    assert everything() == before
    assert found.state == "done", found.error
    total = {name: one["total"] for name, one in found.result["measures"].items()}
    # six changes of an hour become twelve, each without chance; fluid twice 9 L
    assert total["services"] == {"today": 6, "changed": 12, "difference": 6, "low": 6, "high": 6}
    assert (total["work_h"]["today"], total["work_h"]["changed"]) == (6, 12)
    (item,) = found.result["items"]
    assert (item["total"]["today"], item["total"]["changed"], item["unit"]) == (9, 18, "L")
    assert "about 0.5 h a month more work" in found.result["answer"].lower()
    assert left_behind() == []


def test_what_is_no_change_differs_in_no_cell(tiny: Item) -> None:
    scene.readings(scene.van("V-2"), scene.jittered(3, 10_000, 30))
    nothing = row("limit months", "van/engine-oil", "2", "2026-11-03")
    found = ask.work_out(asked(nothing).pk, NOW).result
    assert {one[name] for one in figures(found) for name in ("difference", "low", "high")} == {0}
    assert found["answer"].startswith("Nothing changes")


def test_a_question_that_is_deleted_ends_and_leaves_nothing(tiny: Item) -> None:
    question = asked(row("limit months", "*", "1"))
    with pytest.raises(ask.Gone):
        ask.work_out(question.pk, NOW, lambda share: question.delete() if question.pk else None)
    assert left_behind() == []


def test_what_a_killed_process_left_is_swept_away(tiny: Item) -> None:
    dead = Path(settings.DATA_DIR) / f"{leavings.SUPPOSED}-1-0-gone-x"
    machine = leavings.prefix(leavings.SUPPOSED).split("-")[2]
    dead = dead.with_name(f"{leavings.SUPPOSED}-999999-{machine}-1-x")
    dead.mkdir()
    (dead / "today").mkdir()
    leavings.sweep()
    assert left_behind() == []


@pytest.mark.django_db
def test_only_a_few_are_worked_out_at_once() -> None:
    fleet()
    for _ in range(ask.AT_ONCE):
        asked(row("limit months", "*", "1"))
    with pytest.raises(Refused, match="being worked out"):
        asked(row("limit months", "*", "1"))


@pytest.mark.django_db
def test_what_is_gone_meanwhile_fails_with_its_reason() -> None:
    fleet()
    question = asked(row("sell", "V-1"))
    question.changes[0]["which"] = "V-7"
    question.save()
    found = ask.work_out(question.pk, NOW)
    assert found.state == "failed"
    assert "no vehicle 'V-7'" in found.error


@pytest.mark.django_db
def test_mechanics_do_not_ask_and_nobody_but_a_supervisor_deletes_for_others() -> None:
    fleet()
    depot = scene.depot()
    viewer, other = (person(name, Role.VIEWER, depot) for name in ("vera", "otto"))
    with pytest.raises(Forbidden):
        asked(row("sell", "V-1"), person=person("mike", Role.MECHANIC, depot))
    question = asked(row("sell", "V-1"), person=viewer)
    with pytest.raises(Forbidden):
        ask.delete(question, other)
    ask.delete(question, person("sue", Role.SUPERVISOR, depot))
    assert not WhatIf.objects.exists()


@pytest.mark.django_db
def test_a_question_about_a_depot_that_is_not_theirs_is_not_seen() -> None:
    fleet()
    scene.depot("coast")
    both = asked(row("sell", "V-1"))
    one = asked(row("sell", "V-1"))
    one.depots.set([scene.depot()])
    assert list(seen_with(Depot.objects.filter(slug="plain"))) == [one]
    assert list(seen_with(Depot.objects.all())) == [one, both]


@pytest.mark.django_db
def test_make_up_goes_on_with_questions_cut_short(monkeypatch: pytest.MonkeyPatch) -> None:
    fleet()
    question = asked(row("sell", "V-1"))
    seen: list[int] = []
    monkeypatch.setattr(ask, "work_out", lambda pk, now, progress: seen.append(pk))
    jobs.make_up()
    assert seen == [question.pk]
    assert Run.objects.get(job=jobs.WHAT_IF).part == str(question.pk)
