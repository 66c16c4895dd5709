"""Every form of the pages sent by somebody whose role, or whose depot, does not go so far."""

from collections.abc import Callable, Iterator

import pytest
from django.db import transaction
from django.test import Client
from django.urls import resolve

from fleet.people.models import Person, Role
from fleet.workorders.models import WorkOrder
from tests.dashboard.forms import Form
from tests.dashboard.test_untouched_forms import COMPUTES_ONLY, in_every_state, rendered, who
from tests.dashboard.workshop import Workshop
from tests.kept import kept

SignedIn = Callable[[Person], Client]


@kept
def orders(shop: Workshop) -> list[WorkOrder]:
    return in_every_state(shop)


@kept
def offered(shop: Workshop, orders: list[WorkOrder]) -> list[tuple[str, Form]]:
    """Address and form of everything a supervisor can send, as rendered once for all senders."""
    client = Client()
    client.force_login(shop.people.supervisor)
    forms = [(form.action or page, form) for page, form in rendered(client, orders)]
    return [(where, form) for where, form in forms if where not in COMPUTES_ONLY]


def answers(sent_by: Client, offered: list[tuple[str, Form]]) -> Iterator[tuple[str, str, int]]:
    """Name of the route, address and status of each form sent, each undone."""
    for where, form in offered:
        with transaction.atomic():
            answer = sent_by.post(where, form.sent)
            transaction.set_rollback(True)
        yield str(resolve(where.partition("?")[0]).url_name), where, answer.status_code


# who gets past the check of the role, written by hand; the rest is refused with 403. A change of an
# order or a finding is of many kinds, and is looked at below and in tests/workorders.
ALL = frozenset(Role)
CHIEF = frozenset({Role.SUPERVISOR})
PASSES = {
    "add-person": CHIEF,
    "change-person": CHIEF,
    "forget-person": CHIEF,
    "name-deputy": CHIEF,
    "approve-substitute": CHIEF,
    "choose-fluid": CHIEF,
    "defer-service": CHIEF,
    "draft-order": CHIEF,
    "draft-orders": CHIEF,
    "enter-outside-work": CHIEF,
    "override-duty": CHIEF,
    "release-orders": CHIEF,
    "plan-anew": CHIEF,
    "correct-other-work": CHIEF,
    "enter-other-work": CHIEF,
    "end-other-work": CHIEF,
    "change-visit": CHIEF,
    "make-calendar": CHIEF,
    "add-reading": CHIEF | {Role.CLERK, Role.MECHANIC},
    "upload": CHIEF | {Role.CLERK, Role.MECHANIC},
    "collect-used-fluid": CHIEF | {Role.STORES},
    "move-stock": CHIEF | {Role.STORES},
    "set-up-trial": CHIEF | {Role.ENGINEER},
    "report-finding": ALL - {Role.VIEWER},
    "record-work": CHIEF | {Role.MECHANIC},
    "add-token": ALL,  # of one's own
    "read-in": ALL,  # of one's own
    "save-view": ALL,  # of one's own
    "set-do-not-use": ALL,  # whoever sees a danger
}
MANY_KINDS = {"change-order", "change-finding"}
OF_NO_ROW = {"add-person", "add-token", "read-in", "save-view", "set-up-trial", "upload"}


@pytest.mark.any_database  # what a role may is asked of the person, before any row
@pytest.mark.parametrize("role", Role)
def test_a_form_of_a_role_that_may_not_is_refused_not_led_elsewhere(
    shop: Workshop, offered: list[tuple[str, Form]], signed_in: SignedIn, role: Role
) -> None:
    seen = set()
    for route, where, status in answers(signed_in(who(shop, role)), offered):
        seen.add(route)
        if route not in MANY_KINDS:
            assert (status != 403) is (role in PASSES[route]), (where, status)
        elif role is Role.VIEWER:
            assert status in {403, 404}, (where, status)
    assert seen == {*PASSES, *MANY_KINDS}


def test_a_form_about_something_of_another_depot_finds_nothing(
    shop: Workshop, offered: list[tuple[str, Form]], signed_in: SignedIn
) -> None:
    outsider = signed_in(shop.people.outsider)
    orders_before = list(WorkOrder.objects.order_by("pk").values())
    for route, where, status in answers(outsider, offered):
        if route not in OF_NO_ROW | {"move-stock", "release-orders", "draft-orders"}:
            assert status == 404, (where, status)
    assert list(WorkOrder.objects.order_by("pk").values()) == orders_before
