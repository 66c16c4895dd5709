"""What the page of readings says beside a held one: what is expected, and what may be meant."""

import re
from collections.abc import Callable
from datetime import timedelta

from django.test import Client

from fleet.people.models import Person
from tests.cast import Cast
from tests.dashboard.test_readings import held, sent

SignedIn = Callable[[Person], Client]


def test_beside_what_may_have_been_meant_stands_how_far_it_is_from_what_is_expected(
    people: Cast, signed_in: SignedIn
) -> None:
    held(people)
    page = signed_in(people.clerk).get("/readings").content.decode()
    figure = r"[0-9,]+\u202fkm"
    assert re.search(rf"<dd>about 10,7[0-9]{{2}}\u202fkm, likely {figure} to {figure}</dd>", page)
    assert re.search(r"<dt>as given</dt><dd>9,8[0-9]{2}\u202fkm less than expected</dd>", page)


def test_where_nothing_that_may_have_been_meant_is_near_the_instrument_is_asked_for(
    people: Cast, signed_in: SignedIn
) -> None:
    held(people, 99_999)
    page = signed_in(people.clerk).get("/readings").content.decode()
    assert "nothing that may have been meant is near what is expected" in page
    assert "It may have been meant as" not in page


def test_what_was_typed_in_place_of_a_suggestion_is_not_called_it(
    people: Cast, signed_in: SignedIn
) -> None:
    reading = held(people)
    said = sent(signed_in(people.clerk), reading, action="right value", value="10,765")
    assert "take another value, 10,765 km taken, nothing was suggested" in said


def test_a_time_is_told_by_the_clock_of_the_depot(people: Cast, signed_in: SignedIn) -> None:
    people.plain.zone = "Asia/Tokyo"  # nine hours ahead of UTC, all year
    people.plain.save()
    reading = held(people)
    client = signed_in(people.clerk)
    at = (reading.taken_at + timedelta(hours=9)).strftime("%H:%M")
    for page in ("/readings", "/vehicles/V-101"):
        assert f", {at}<" in client.get(page).content.decode()
