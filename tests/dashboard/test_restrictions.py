"""A restriction stands wherever the vehicle is shown, until somebody lifts it."""

from collections.abc import Callable
from datetime import timedelta
from importlib import import_module
from typing import Any

from django.apps import apps
from django.test import Client
from django.utils import timezone

from fleet.people.models import Person
from fleet.workorders import ending, issue, photos, progress, restrictions
from fleet.workorders.ending import AtFinish
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import Restriction, WorkOrder
from tests.api.conftest import picture
from tests.cast import depots_day
from tests.dashboard.rendered import form, page, send
from tests.dashboard.workshop import Workshop, released
from tests.kept import kept

SignedIn = Callable[[Person], Client]
SLOW = "not above 60 km/h"
FINISH = "Finish the order"


@kept
def restricted(shop: Workshop) -> Restriction:
    """The order ended with a restriction, and another one is at work."""
    actor = shop.actor(shop.people.mechanic)
    shop.start()
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    ending.finish(
        actor,
        shop.order.pk,
        AtFinish(odometer=10_700, fit_for_use="with restriction", restriction=SLOW),
    )
    return Restriction.objects.get()


@kept
def later(restricted: Restriction, shop: Workshop) -> WorkOrder:
    """Other work, ready to be finished."""
    boss, actor = shop.actor(shop.people.supervisor), shop.actor(shop.people.mechanic)
    order = issue.draft(
        boss,
        OrderDraft(
            vehicle_id=restricted.vehicle_id,
            service_ids=[],
            other_work=[("Lamp", 5)],
            planned_on=depots_day(),
        ),
    )
    progress.release(boss, order.pk)
    progress.start(actor, order.pk)
    progress.end_job(actor, order.jobs.get().pk, state="done", because="not tried here")
    return order


def sent(client: Client, order: WorkOrder, **typed: Any) -> Any:
    html = page(client, f"/work-orders/{order.number}/card")
    return send(client, html, FINISH, odometer="10 701", fit_for_use="yes", **typed)


def finished(client: Client, order: WorkOrder, **typed: Any) -> WorkOrder:
    sent(client, order, **typed)
    return WorkOrder.objects.get(pk=order.pk)


def test_it_stands_wherever_the_vehicle_is_shown(
    later: WorkOrder, shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    pages = (
        *("/vehicles/V-101", "/due", "/todays-orders", "/work-orders"),
        *("/vehicles/V-101/evidence", f"/work-orders/{later.number}"),
        f"/work-orders/{later.number}/card",
    )
    assert [address for address in pages if SLOW not in page(client, address)] == []


def test_an_unrelated_yes_never_drops_it(
    later: WorkOrder, restricted: Restriction, shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.mechanic)
    asked = sent(client, later)  # unanswered: asked about, and nothing typed is lost
    assert (asked.status_code, "lifted or stays" in asked.content.decode()) == (409, True)
    assert form(asked.content.decode(), FINISH)[1]["odometer"] == "10 701"
    assert finished(client, later, **{f"restriction-{restricted.pk}": "stays"}).state == "finished"
    assert SLOW in page(client, "/vehicles/V-101")


def test_a_later_finish_lifts_it(
    later: WorkOrder, restricted: Restriction, shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.mechanic)
    finished(client, later, **{f"restriction-{restricted.pk}": "lifted"})
    restricted.refresh_from_db()
    assert (restricted.lifted_by, restricted.lifted_on) == (shop.people.mechanic, later)
    assert SLOW not in page(client, "/vehicles/V-101")


def test_a_correction_takes_the_answer_back(
    later: WorkOrder, restricted: Restriction, shop: Workshop, signed_in: SignedIn
) -> None:
    finished(signed_in(shop.people.mechanic), later, **{f"restriction-{restricted.pk}": "lifted"})
    ending.correct(shop.actor(shop.people.supervisor), later.pk, reason="wrong van")
    restricted.refresh_from_db()
    assert restricted.lifted_at is None


def test_a_correction_of_the_order_that_set_it_lifts_it(
    restricted: Restriction, shop: Workshop
) -> None:
    ending.correct(shop.actor(shop.people.supervisor), shop.order.pk, reason="wrong van")
    assert not restrictions.standing([restricted.vehicle_id])


def test_an_authorised_person_lifts_it_from_the_vehicle_page(
    restricted: Restriction, shop: Workshop, signed_in: SignedIn
) -> None:
    mechanic, boss = signed_in(shop.people.mechanic), signed_in(shop.people.supervisor)
    assert "/lift" not in page(mechanic, "/vehicles/V-101")
    send(boss, page(boss, "/vehicles/V-101"), "/lift", reason="new prop shaft")
    restricted.refresh_from_db()
    assert (restricted.lifted_by, restricted.lifted_reason) == (
        shop.people.supervisor, "new prop shaft",
    )  # fmt: skip


def test_the_same_words_again_are_one_restriction(
    later: WorkOrder, restricted: Restriction, shop: Workshop
) -> None:
    ending.finish(
        shop.actor(shop.people.mechanic),
        later.pk,
        AtFinish(
            odometer=10_701,
            restriction=SLOW.upper(),
            fit_for_use="with restriction",
            answers={restricted.pk: "stays"},
        ),
    )
    assert Restriction.objects.count() == 1


def test_photos_stand_on_the_vehicle_page(
    shop: Workshop, signed_in: SignedIn, settings: Any, tmp_path: object
) -> None:
    settings.MEDIA_ROOT = tmp_path
    order = shop.start()
    row = photos.add(
        shop.actor(shop.people.mechanic), picture(), client_key="a-rusty-plug", order=order
    )
    assert f"/photos/{row.pk}" in page(signed_in(shop.people.viewer), "/vehicles/V-101")


def test_a_restriction_from_before_is_kept_where_it_still_stands(shop: Workshop) -> None:
    at, van = timezone.now(), shop.order.vehicle
    ended = {"state": "signed off", "finished_at": at, "fit_for_use": "with restriction"}
    WorkOrder.objects.filter(pk=shop.order.pk).update(**ended, restriction=SLOW)
    other = released(shop.people, shop.people.second_van, shop.oil)
    WorkOrder.objects.filter(pk=other.pk).update(**ended, restriction="no trailer")
    last = WorkOrder.objects.create(
        number="W-LAST", vehicle=shop.people.second_van, depot=other.depot, state="signed off",
        finished_at=at + timedelta(hours=1), fit_for_use="yes",
    )  # fmt: skip
    moved = import_module("fleet.workorders.migrations.0021_restrictions")
    moved.keep_what_stands(apps, None)
    assert list(Restriction.objects.values_list("vehicle", "text", "order")) == [
        (van.pk, SLOW, shop.order.pk)
    ]
    assert last.pk != other.pk
