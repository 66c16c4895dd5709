"""A fluid chosen for a vehicle by hand, and its end, through the API."""

from datetime import timedelta
from typing import Any

import pytest
from rest_framework.test import APIClient

from fleet.due.models import ChosenFluid
from fleet.today import today_at
from fleet.trials.models import Trial
from tests.api.conftest import Caller, oil_trial
from tests.api.routes import address
from tests.cast import Cast
from tests.dashboard.workshop import Workshop, open_workshop
from tests.kept import kept

TODAY = today_at("Europe/Berlin")  # where the depots of the cast are


@kept
def shop(running: Cast) -> Workshop:
    return open_workshop(running)


@pytest.fixture
def boss(shop: Workshop, call: Caller) -> APIClient:
    return call(shop.people.supervisor)


def choose(client: APIClient, **given: Any) -> Any:
    body = {
        **{"vehicle": "V-101", "compartment": "engine", "product": "right"},
        **{"because": "quieter when cold", "source": "our choice", **given},
    }
    return client.post(address("chosen-fluids"), body, "json")


def listed(client: APIClient) -> list[str]:
    rows = client.get(address("chosen-fluids"), {"vehicle": "V-101"}).json()["rows"]
    return [row["product"] for row in rows]


def test_it_is_chosen_listed_and_on_the_card(boss: APIClient, shop: Workshop) -> None:
    answer = choose(boss, until_on=str(TODAY + timedelta(days=30)))
    assert answer.status_code == 201
    assert answer.json()["until_on"] == str(TODAY + timedelta(days=30))
    assert (answer.json()["from_on"], answer.json()["person"]) == (str(TODAY), "sura")
    assert listed(boss) == ["right"]
    card = boss.get(address(f"work-orders/{shop.order.number}/card")).json()
    (job,) = card["jobs"]
    assert (job["fluid"]["product"], job["fluid"]["because"]) == ("right", "quieter when cold")


@pytest.mark.parametrize(
    ("given", "status", "words"),
    [
        ({"product": "wrong"}, 422, "claims none of it"),
        ({"product": "none"}, 400, "There is no product none."),
        ({"compartment": "roof"}, 400, "has no compartment roof"),
        ({"from_on": str(TODAY - timedelta(days=1))}, 422, "is over: give"),
        ({"until_on": str(TODAY - timedelta(days=1))}, 422, "ends before it begins"),
        ({"because": ""}, 400, "because"),
    ],
)
def test_what_cannot_be_is_refused(
    boss: APIClient, given: dict[str, str], status: int, words: str
) -> None:
    answer = choose(boss, **given)
    assert (answer.status_code, words in answer.content.decode()) == (status, True)
    assert not ChosenFluid.objects.exists()


def test_it_ends_once_with_a_reason(boss: APIClient) -> None:
    where = address(f"chosen-fluids/{choose(boss).json()['id']}/end")
    assert choose(boss).status_code == 409  # one stands
    past = {"reason": "x", "on": str(TODAY - timedelta(days=1))}
    assert boss.post(where, past, "json").status_code == 422
    assert boss.post(where, {"on": str(TODAY)}, "json").status_code == 400
    ended = boss.post(where, {"reason": "louder"}, "json")
    assert (ended.status_code, ended.json()["ended_by"]) == (200, "sura")
    assert ended.json()["until_on"] == str(TODAY - timedelta(days=1))
    assert listed(boss) == []
    assert boss.post(where, {"reason": "again"}, "json").status_code == 409
    assert choose(boss).status_code == 201


def test_who_rates_a_blinded_trial_is_not_told(
    boss: APIClient, shop: Workshop, call: Caller
) -> None:
    oil_trial(shop.people)
    Trial.objects.update(blinded=True)
    assert len(listed(boss)) == 1
    assert listed(call(shop.people.mechanic)) == []
