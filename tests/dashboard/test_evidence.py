"""What was never held against a limit says so, and what is not done stands beside the share."""

import re
from collections.abc import Callable
from datetime import date

import pytest
from django.test import Client
from django.utils import timezone

from fleet import chain
from fleet.due.models import ServiceDone
from fleet.people.models import Person
from tests.cast import depots_day
from tests.dashboard.workshop import Workshop, finish

SignedIn = Callable[[Person], Client]
PACK, ORDERS = "/vehicles/V-101/evidence", "/work-orders"


def text_of(client: Client, address: str) -> str:
    """A page as it is read: without marks, every gap one blank."""
    html = client.get(address).content.decode()
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", "", html))


def last_done(shop: Workshop, on: date) -> None:
    """The second van's only oil change was on a day."""
    ServiceDone.objects.filter(vehicle=shop.people.second_van).delete()
    ServiceDone.objects.create(
        vehicle=shop.people.second_van,
        service=shop.oil,
        done_on=on,
        total_km=4_000,
        evidence=ServiceDone.Evidence.BASELINE,
        source="invented for the tests",
    )
    chain.refresh([shop.people.second_van.pk], timezone.now())


def test_a_pack_of_documents_alone_is_not_judged(shop: Workshop, signed_in: SignedIn) -> None:
    seen = text_of(signed_in(shop.people.viewer), PACK)
    assert "1 service recorded; not judged: what is taken from a document is not" in seen
    assert "not judged: from a document" in seen
    assert "after it" not in seen


def test_only_what_was_judged_is_counted(shop: Workshop, signed_in: SignedIn) -> None:
    finish(shop)
    client = signed_in(shop.people.viewer)
    counted = "2 services recorded; 1 judged against its limit, {} of them after it; the others"
    assert f"{counted.format('none')} not judged: what is taken" in text_of(client, PACK)
    evidence = shop.job.evidence
    evidence.within_limit = evidence.within_tolerance = False
    evidence.save()
    assert counted.format(1) in text_of(client, PACK)
    assert "after its limit, out of tolerance" in text_of(client, PACK)


def test_what_was_done_while_its_history_was_unknown_is_not_judged(
    shop: Workshop, signed_in: SignedIn
) -> None:
    ServiceDone.objects.all().delete()
    shop.people.van.joined_as = "used"  # so nothing says when it was last done
    shop.people.van.save()
    chain.refresh([shop.people.van.pk], timezone.now())
    finish(shop)
    client = signed_in(shop.people.viewer)
    seen = text_of(client, PACK)
    assert "1 service recorded; not judged: what is taken from a document is not" in seen
    assert "not judged: nobody knew then when it was due" in seen
    assert "nobody knew then" in client.get(f"{PACK}.csv").content.decode("utf-8-sig")
    assert "No service of the last twelve months has been held" in text_of(client, ORDERS)


@pytest.mark.parametrize("back", [0, 1])
def test_the_share_done_on_time_names_what_is_overdue(
    back: int, shop: Workshop, signed_in: SignedIn
) -> None:
    """By hand: 12 months from the first of a month 13 or 12 months ago are over, or just not."""
    today = depots_day()
    on = date(today.year - 1 - (today.month == 1 and back), (today.month - 1 - back) % 12 + 1, 28)
    finish(shop)
    last_done(shop, on)
    seen = text_of(signed_in(shop.people.viewer), ORDERS).split("Done on time", 1)[1]
    due_on = on.replace(year=on.year + 1)
    assert ("Not done yet and not counted above: 1 service overdue today" in seen) == (
        due_on < today
    )
    assert (f"V-102 Engine oil since {due_on.day} " in seen) == (due_on < today)
    assert "(100 %)" in seen


def test_the_newest_stands_first_and_those_after_their_limit_by_themselves(
    shop: Workshop, signed_in: SignedIn
) -> None:
    finish(shop)
    client = signed_in(shop.people.viewer)
    days = [
        f"{on.day} {on:%b %Y}"
        for on in ServiceDone.objects.filter(vehicle=shop.people.van)
        .order_by("-done_on")
        .values_list("done_on", flat=True)
    ]
    seen = text_of(client, PACK)
    assert [seen.index(day) for day in days] == sorted(seen.index(day) for day in days)
    assert "No service was done after its limit." in text_of(client, f"{PACK}?only=late")
    judged = text_of(client, f"{PACK}?only=judged")
    assert (days[0] in judged, days[-1] in judged) == (True, False)


def test_a_finished_order_waits_for_a_signature_apart_from_what_is_to_be_done(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.viewer)
    assert "to be signed off" not in text_of(client, "/vehicles/V-101")
    finish(shop)
    seen = text_of(client, "/vehicles/V-101")
    assert "No order is open for this vehicle." in seen
    assert "1 finished, to be signed off" in seen
    assert shop.order.number in seen
