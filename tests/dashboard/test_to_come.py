"""A reading of a day still to come offers nothing but to reject it."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone

from fleet import chain
from fleet.people.models import Person
from fleet.readings.enter import Entry, enter
from fleet.readings.models import Reading, Source
from tests.cast import Cast

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(("days", "offered"), [(5, False), (-5, True)])
def test_only_a_past_day_can_be_accepted(
    days: int, offered: bool, people: Cast, signed_in: Callable[[Person], Client]
) -> None:
    meter = people.van.meters.get()
    entry = Entry(
        vehicle_id=people.van.pk,
        meter_id=meter.pk,
        taken_at=timezone.now() + timedelta(days=days),
        time_known=True,
        value=900,  # where more than 10,000 km were read before
        unit="km",
    )
    enter([entry], Source.SHEET)
    chain.refresh([people.van.pk], timezone.now())
    odd = Reading.objects.exclude(verdict="accepted").get()
    client = signed_in(people.clerk)
    page = client.get(f"/vehicles/{people.van}").content.decode()
    begin = page.index(f'action="/readings/{odd.pk}/settle"')
    form = page[begin : page.index("</form>", begin)]
    assert ('value="accept"' in form) is offered
    assert ('value="right value"' in form) is offered
    assert ('value="meter replaced"' in form) is offered
    assert ("Its day is still to come" in form) is not offered
    assert 'value="reject"' in form
    answer = client.post(
        f"/readings/{odd.pk}/settle",
        {"action": "accept", "reason": "I read it", "row": "vehicle", "sure": "accept"},
        headers={"HX-Request": "true"},
    )
    odd.refresh_from_db()
    assert (odd.verdict == "accepted") is offered
    assert ("enter it again with the day it was read on" in answer.content.decode()) is not offered
