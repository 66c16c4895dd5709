"""A rater of a running blinded trial walks every route and page: what names the fluid of a trial
vehicle is either not shown, or noted, and then the rater no longer rates that vehicle."""

import re
from collections.abc import Iterator

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from fleet.dashboard.urls import urlpatterns
from fleet.due.models import Fill
from fleet.due.record import record_fill
from fleet.people.models import Person, Role
from fleet.stores.models import Product
from fleet.trials.models import Rating, Trial, TrialVehicle, Unblinded
from tests.api.conftest import Caller
from tests.api.rights_table import table
from tests.api.routes import address
from tests.cast import Cast, person
from tests.scene import INVENTED

SECRET = "Ochre Hollow"  # noqa: S105 - the product's name, which no rater may read
CATALOGUES = ("items", "stock", "demand", "order-proposals", "stock-moves", "costs")
RATER = Role.MECHANIC


@pytest.fixture
def place(running: Cast, there: dict[str, object]) -> TrialVehicle:
    """The van of the order that is there, with its group's product inside."""
    found = TrialVehicle.objects.get(vehicle=running.van)
    product = found.group.product
    Product.objects.filter(pk=product.pk).update(name=SECRET, slug="ochre-hollow")
    record_fill(
        Fill(
            vehicle=running.van,
            compartment=found.trial.service.compartment,
            product=product,
            filled_on=found.trial.starts_on,
            quantity_ml=6_000,
            source=INVENTED,
        ),
    )
    return found


@pytest.fixture
def rater(running: Cast) -> Person:
    return person("Rana", RATER, running.plain)


def unnoticed(body: str, rater: Person) -> bool:
    """Whether an answer names the fluid and nobody wrote down that this person saw it."""
    told = SECRET in body or "ochre-hollow" in body or '"letter":' in body
    noted = Unblinded.objects.filter(person=rater)
    seen = told and not noted.exists()
    noted.delete()
    return seen


def test_no_route_of_the_api_tells_a_rater_unnoticed(
    there: dict[str, object], place: TrialVehicle, rater: Person, call: Caller
) -> None:
    client, told = call(rater), []
    patterns = sorted({pattern for method, pattern in table() if method == "GET"})
    for pattern in patterns:
        if pattern.partition("/")[0] not in CATALOGUES:  # what stores keep, of no vehicle
            answer = client.get(address(pattern, **there))
            if unnoticed(b"".join(answer).decode(errors="replace"), rater):
                told.append(pattern)
    assert told == []
    assert len(patterns) > 30


def test_no_page_tells_a_rater_unnoticed(
    there: dict[str, object], place: TrialVehicle, rater: Person
) -> None:
    client, told, walked = Client(), [], 0
    client.force_login(rater)
    for name, where in addresses(there):
        walked += 1
        answer = client.get(where)
        if unnoticed(b"".join(answer).decode(errors="replace"), rater):
            told.append(name)
    assert told == []
    assert walked > 30


def addresses(there: dict[str, object]) -> Iterator[tuple[str, str]]:
    """Name and address of every page that can be asked for with what is there."""
    values = {**there, "slug": there["trial"], "ending": "csv", "finding": 1}
    for one in urlpatterns:
        name = str(one.name)
        if name.partition("-")[0] in ("stock", "consumables", "costs", "sign"):
            continue
        chart = "coverage" if name == "method-chart" else "equal-age"
        given = values | {"chart": chart, "sight": "both"}
        wanted = one.pattern.converters or re.compile(str(one.pattern)).groupindex
        if set(wanted) <= set(given):
            yield name, reverse(name, kwargs={key: given[key] for key in wanted})


def test_the_walk_sees_what_a_viewer_is_shown(
    running: Cast, there: dict[str, object], place: TrialVehicle
) -> None:
    """Else nothing would be found wherever it stood."""
    client = Client()
    client.force_login(running.viewer)
    assert SECRET in client.get("/vehicles/V-101").content.decode()
    assert SECRET in client.get("/field-trials/oil-trial").content.decode()


def test_the_vehicle_page_hides_what_is_inside_from_a_rater(
    place: TrialVehicle, rater: Person
) -> None:
    client = Client()
    client.force_login(rater)
    shown = client.get("/vehicles/V-101").content.decode()
    assert SECRET not in shown
    assert "you rate this vehicle in a blinded trial" in shown
    Trial.objects.update(starts_on="1999-01-01", ends_on="2000-01-01")
    assert SECRET in client.get("/vehicles/V-101").content.decode()


@pytest.mark.parametrize("path", ["/work-orders/{number}/card", "/work-orders/{number}"])
def test_who_opens_the_card_no_longer_rates_the_vehicle(
    there: dict[str, object], place: TrialVehicle, rater: Person, call: Caller, path: str
) -> None:
    send = {"client_key": "a-phone-1", "vehicle": "V-101", "value": 4}
    ratings = f"/api/v1/trials/{there['trial']}/ratings"
    client = Client()
    client.force_login(rater)
    client.get(path.format(**there))
    refused = call(rater).post(ratings, {"rows": [send]}, format="json")
    assert refused.status_code == 403
    assert "showed you which product is in V-101" in refused.json()["detail"]
    other = send | {"vehicle": "V-102"}
    assert call(rater).post(ratings, {"rows": [other]}, format="json").status_code == 201
    assert list(Rating.objects.values_list("trial_vehicle__vehicle__fleet_number")) == [("V-102",)]


def test_a_rating_given_before_the_card_was_opened_still_counts(
    there: dict[str, object], place: TrialVehicle, rater: Person, call: Caller
) -> None:
    before = timezone.now()
    Client().force_login(rater)
    call(rater).get(f"/api/v1/work-orders/{there['number']}/card")
    row = {"client_key": "a-phone-1", "vehicle": "V-101", "value": 4, "rated_at": before}
    ratings = f"/api/v1/trials/{there['trial']}/ratings"
    assert call(rater).post(ratings, {"rows": [row]}, format="json").status_code == 201


def test_a_mechanics_day_with_its_cards_is_noted(
    running: Cast, there: dict[str, object], place: TrialVehicle, rater: Person, call: Caller
) -> None:
    call(rater).get("/api/v1/work-orders?expand=card")
    assert Unblinded.objects.get().person == rater
    assert Unblinded.objects.get().trial_vehicle == place


def test_an_open_trial_hides_nothing(place: TrialVehicle, rater: Person) -> None:
    Trial.objects.update(blinded=False)
    client = Client()
    client.force_login(rater)
    assert SECRET in client.get("/vehicles/V-101").content.decode()
    assert not Unblinded.objects.exists()
