"""Notes of collected used fluid: each once, and wrong ones undone by their opposite."""

from datetime import date, timedelta

import pytest
from django.db.models import Sum

from fleet.faults import Fault, Forbidden, Refused
from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.stores.models import UsedFluidCollected
from fleet.stores.used_fluid import Note, collect, take_back
from tests import scene
from tests.cast import person
from tests.scene import NOW

pytestmark = pytest.mark.django_db
PROGRAM = Actor(person=None, channel="test", now=NOW)


def note(**given: object) -> Note:
    fields = {"waste_class": "used oil", "quantity_ml": 200_000, "collected_on": date(2026, 6, 1)}
    fields |= {"carrier": "invented for the tests", "note_number": "N-1"}
    return Note(depot=scene.depot(), **(fields | given))  # type: ignore[arg-type]


def test_a_note_sent_twice_under_one_key_is_kept_once() -> None:
    first = collect(PROGRAM, note(), key="phone-1")
    assert collect(PROGRAM, note(), key="phone-1") == first
    assert collect(PROGRAM, note(note_number="N-2"), key="phone-2") != first
    assert UsedFluidCollected.objects.count() == 2


def test_notes_without_a_key_are_each_kept() -> None:
    assert collect(PROGRAM, note()) != collect(PROGRAM, note(note_number="N-2"))


def test_a_wrong_note_is_taken_back_once_and_nothing_is_left_of_it() -> None:
    wrong = collect(PROGRAM, note())
    back = take_back(PROGRAM, wrong, reason="typed twice")
    assert take_back(PROGRAM, wrong, reason="typed twice") == back
    assert UsedFluidCollected.objects.aggregate(all=Sum("quantity_ml"))["all"] == 0
    with pytest.raises(Refused, match="enter a new one"):
        take_back(PROGRAM, back, reason="again")
    with pytest.raises(Fault, match="why"):
        take_back(PROGRAM, wrong, reason=" ")


def test_a_note_of_nothing_or_of_tomorrow_is_refused() -> None:
    today = NOW.date()  # noon at the depot too
    collect(PROGRAM, note(collected_on=today, quantity_ml=1))
    for change, said in (
        ({"quantity_ml": 0}, "above 0"),
        ({"collected_on": today + timedelta(days=1)}, "lies ahead"),
        ({"note_number": " "}, "is missing"),
    ):
        with pytest.raises(Fault, match=said):
            collect(PROGRAM, note(**change))
    assert UsedFluidCollected.objects.count() == 1


def test_notes_are_entered_and_taken_back_only_by_who_keeps_stock_at_that_depot() -> None:
    kept = collect(PROGRAM, note())
    for who in (
        person("Mika", Role.MECHANIC, kept.depot),
        person("Otto", Role.STORES, scene.depot("far")),
    ):
        actor = Actor(who, "test", NOW)
        with pytest.raises(Forbidden, match="keep stock"):
            collect(actor, note())
        with pytest.raises(Forbidden, match="keep stock"):
            take_back(actor, kept, reason="not mine")
    assert UsedFluidCollected.objects.get() == kept
