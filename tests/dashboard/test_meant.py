"""What the page of readings says beside a held one: what is expected, and what may be meant."""

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import pytest
from django.test import Client

from fleet.people.models import Person
from fleet.readings.beside import Meant, beside
from fleet.readings.models import Reading, ReadingDecision
from tests.cast import Cast
from tests.dashboard import rendered
from tests.dashboard.rendered import form, send
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
    assert "Guesses at what was meant" not in page


def test_what_stands_is_the_field_to_change_and_guesses_come_last(
    people: Cast, signed_in: SignedIn
) -> None:
    held(people)
    html = rendered.page(signed_in(people.clerk), "/readings")
    where, fields = form(html, 'name="meant"')
    assert (fields["value"], fields["stood"]) == ("900", "900")
    marks = ('name="value"', 'value="right value"', 'value="accept"', "Guesses at", 'name="meant"')
    places = [html.index(mark, html.index(where)) for mark in marks]
    assert places == sorted(places)


def test_what_stands_is_told_to_the_tenth_of_the_instruments_own_mile(
    people: Cast, signed_in: SignedIn
) -> None:
    reading = held(people)
    reading.vehicle.meters.update(unit="mi")
    html = rendered.page(signed_in(people.clerk), "/readings")
    fields = form(html, f"/readings/{reading.pk}/settle")[1]
    assert fields["value"] == fields["stood"] == "559.2"  # 900 km, of 1.609344 a mile: 559.23


def test_a_field_that_nobody_changed_is_no_right_value(people: Cast, signed_in: SignedIn) -> None:
    """Accepted as it was rendered, the reading counts as given and nothing is asked."""
    reading, client = held(people), signed_in(people.clerk)
    where, fields = form(rendered.page(client, "/readings"), 'name="meant"')
    hx = {"HX-Request": "true"}
    given = {**fields, "reason": "seen on the instrument"}
    said = client.post(where, {**given, "action": "right value"}, headers=hx).content.decode()
    assert "Type the right value first, over the one that stands there." in said
    assert not ReadingDecision.objects.exists()
    client.post(where, {**given, "action": "accept"}, headers=hx)
    decision = ReadingDecision.objects.get()
    assert (decision.action, decision.value) == ("accept", 900)
    assert decision.reading == reading


def test_what_is_changed_in_the_field_is_the_right_value(people: Cast, signed_in: SignedIn) -> None:
    held(people)
    client = signed_in(people.clerk)
    html = rendered.page(client, "/readings")
    send(client, html, 'name="meant"', value="10765", action="right value", reason="last digit")
    decision = ReadingDecision.objects.get()
    assert (decision.value, decision.reading.value) == (10_765, 900)


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


# --- how sure, and what is settled -----------------------------------------------------------
@pytest.mark.parametrize(
    ("probability", "nearer", "said"),
    [(0.998, False, "(over 99 % sure)"), (0.97, False, "(97 % sure)"), (0.998, True, "")],
)
def test_no_suggestion_is_called_sure_beside_a_nearer_value_or_wholly_so(
    people: Cast,
    signed_in: SignedIn,
    monkeypatch: pytest.MonkeyPatch,
    probability: float,
    nearer: bool,
    said: str,
) -> None:
    reading = held(people)
    its = beside([reading.pk])[reading.pk]
    suggested = replace(
        its,
        reason="digit_lost",
        suggestion=10_760.0,
        shown_by_next=False,
        candidates=(Meant("digit_lost", 10_760.0), Meant("wrong_digit", 10_755.0)),
        expected=10_754.0 if nearer else 10_761.0,
    )
    monkeypatch.setattr(
        "fleet.dashboard.readings.lines.beside", lambda ids: {reading.pk: suggested}
    )
    Reading.objects.filter(pk=reading.pk).update(reason="digit_lost", probability=probability)
    seen = " ".join(signed_in(people.clerk).get("/readings").content.decode().split())
    assert "Suggested: <strong" in seen
    assert (re.findall(r"\([^()]* sure\)", seen) or [""]) == [said]


def test_a_reading_that_a_decision_on_another_rejects_shows_no_form(
    people: Cast, signed_in: SignedIn
) -> None:
    first = held(people)
    other = Reading.objects.get(pk=first.pk)
    other.pk, other.value, other.meter_value = None, 905, 905
    other.save()
    said = sent(signed_in(people.clerk), first, action="meter replaced")
    other.refresh_from_db()
    assert other.verdict == "rejected"
    beside_it = said.split(f'<li id="reading-{other.pk}"', 1)[1]
    assert "Settled by the decision on 900 km" in beside_it
    assert "<form" not in beside_it


def test_the_form_of_a_reading_that_was_decided_on_is_folded_at_its_vehicle(
    people: Cast, signed_in: SignedIn
) -> None:
    reading = held(people)
    client = signed_in(people.clerk)
    rows = [client.get("/vehicles/V-101").content.decode()]
    sent(client, reading, action="reject")
    rows.append(client.get("/vehicles/V-101").content.decode())
    open_form, folded = (
        one.split(f'id="reading-{reading.pk}"')[1].split("</tr>")[0] for one in rows
    )
    assert ("Decide otherwise" in open_form, "<form" in open_form) == (False, True)
    assert 0 < folded.index("Decide otherwise") < folded.index("<form")
