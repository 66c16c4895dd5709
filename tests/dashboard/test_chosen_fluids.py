"""A fluid chosen for a vehicle by hand, and its end, from the Vehicle page."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client

from fleet.due.models import ChosenFluid
from fleet.people.models import Person
from fleet.stores.models import Product
from fleet.today import today_at
from fleet.trials.models import Trial
from fleet.workorders.fluid_for import CHOSEN
from tests.api.conftest import oil_trial
from tests.dashboard.rendered import page, send
from tests.dashboard.workshop import Workshop

SignedIn = Callable[[Person], Client]
VEHICLE, CHOOSE, END = "/vehicles/V-101", 'name="fluid"', 'name="chosen"'
TODAY = today_at("Europe/Berlin")  # where the depots of the cast are
WORDS = {"because": "quieter when cold", "source": "our choice"}


@pytest.fixture
def boss(shop: Workshop, signed_in: SignedIn) -> Client:
    return signed_in(shop.people.supervisor)


def choose(client: Client, **typed: Any) -> str:
    given = {"fluid": "engine/right", **WORDS, **typed}
    answer = send(client, page(client, VEHICLE), CHOOSE, **given)
    return answer.content.decode() if answer.status_code == 422 else page(client, VEHICLE)


def test_the_card_names_what_was_chosen_on_the_page(boss: Client, shop: Workshop) -> None:
    assert "None: each compartment gets" in page(boss, VEHICLE)
    seen = choose(boss)
    assert "Right oil</strong> from" in seen
    row = ChosenFluid.objects.get()
    assert (row.product.slug, row.from_on, row.until_on) == ("right", TODAY, None)
    assert (row.because, row.person) == ("quieter when cold", shop.people.supervisor)
    assert f"{CHOSEN}, quieter when cold" in page(boss, f"{shop.page}/card")


def test_only_what_the_compartment_accepts_is_offered(boss: Client) -> None:
    assert ('value="engine/right"' in page(boss, VEHICLE), Product.objects.count()) == (True, 2)
    assert 'value="engine/wrong"' not in page(boss, VEHICLE)
    assert "claims none of it" in choose(boss, fluid="engine/wrong")
    assert not ChosenFluid.objects.exists()


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"fluid": ""}, "Choose the fluid and its compartment."),
        ({"fluid": "roof/right"}, "Choose the fluid and its compartment."),
        ({"because": " "}, "Say why this fluid is chosen"),
        ({"source": " "}, "Say why this fluid is chosen"),
        ({"from_on": str(TODAY - timedelta(days=3))}, "is over: give"),
        ({"from_on": "31.12."}, "is not a date"),
        ({"until_on": str(TODAY - timedelta(days=1))}, "ends before it begins"),
    ],
)
def test_what_cannot_be_is_told_in_a_sentence(
    boss: Client, typed: dict[str, str], words: str
) -> None:
    assert words in choose(boss, **typed)
    assert not ChosenFluid.objects.exists()


def test_a_second_choice_is_told_to_end_the_first(boss: Client) -> None:
    choose(boss)
    assert "end that choice first" in choose(boss)
    assert ChosenFluid.objects.count() == 1


def test_a_choice_ends_on_the_page_and_only_once(boss: Client, shop: Workshop) -> None:
    before = choose(boss)
    send(boss, before, END, reason="louder after all")
    row = ChosenFluid.objects.get()
    assert (row.ended_by, row.ended_reason) == (shop.people.supervisor, "louder after all")
    assert "None: each compartment gets" in page(boss, VEHICLE)
    send(boss, before, END, reason="once more")
    assert "ends before" in page(boss, VEHICLE)
    row.refresh_from_db()
    assert row.ended_reason == "louder after all"


def test_an_end_wants_a_reason_and_a_day_to_come(boss: Client) -> None:
    before = choose(boss)
    for typed in ({"reason": " "}, {"reason": "x", "on": str(TODAY - timedelta(days=1))}):
        send(boss, before, END, **typed)
    row = ChosenFluid.objects.get()
    assert (row.ended_at, row.until_on) == (None, None)
    send(boss, before, END, reason="x", on=str(TODAY + timedelta(days=7)))
    row.refresh_from_db()
    assert row.until_on == TODAY + timedelta(days=6)  # the last day with it


def test_who_may_not_choose_sees_it_and_is_refused(
    boss: Client, shop: Workshop, signed_in: SignedIn
) -> None:
    choose(boss)
    viewer = signed_in(shop.people.viewer)
    seen = page(viewer, VEHICLE)
    assert "Right oil</strong> from" in seen
    assert CHOOSE not in seen
    assert END not in seen
    given = {"fluid": "engine/right", **WORDS}
    assert viewer.post(f"{VEHICLE}/fluids", given).status_code == 403
    ended = {"chosen": ChosenFluid.objects.get().pk, "reason": "x"}
    assert viewer.post(f"{VEHICLE}/fluids/end", ended).status_code == 403


def test_who_rates_a_blinded_trial_is_not_told(
    boss: Client, shop: Workshop, signed_in: SignedIn
) -> None:
    oil_trial(shop.people)
    Trial.objects.update(blinded=True)
    assert "Oil trial" in page(boss, VEHICLE)
    assert "Fluids chosen" not in page(signed_in(shop.people.mechanic), VEHICLE)
