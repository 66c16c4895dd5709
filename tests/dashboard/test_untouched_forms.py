"""Every form of every page, sent as it was rendered, stores nothing that nobody chose."""

from collections.abc import Callable, Iterator
from functools import cache
from typing import Any

import pytest
from django.apps import apps
from django.db import connection, models, transaction
from django.test import Client
from django.urls import resolve
from django.utils import timezone

from fleet.due.models import CheckFigure
from fleet.people.models import Person, Role
from fleet.vehicles.models import Vehicle
from fleet.visits import plan as plans
from fleet.visits.models import Visit
from fleet.workorders import ending, findings, progress
from fleet.workorders.ending import AtFinish
from fleet.workorders.findings import Report
from fleet.workorders.models import Job, WorkOrder
from tests.cast import depots_day, person, vehicle
from tests.dashboard.forms import Form, Select, forms_of
from tests.dashboard.workshop import INVENTED, Workshop, released
from tests.kept import kept

SignedIn = Callable[[Person], Client]
Rows = dict[tuple[str, Any], dict[str, str]]
ROLES = tuple(Role)
COMPUTES_ONLY = ("/runs/night", "/method/score")  # nothing of it is typed or chosen
TYPED = {"decimal": "1.5", "numeric": "1", "date": "2026-01-05", "email": "a@example.org"}
# values that a form sends by itself and that are no choice, each with why
PRESET = {
    "unit": "of the vehicle's own instrument",
    "kind": "of other work, as it was entered",
    "product": "the one that the card names for this vehicle",
    "wrench": "the one this person used last",
    "raising": "as it stands",
    "role": "as it stands",
    "assigned_to": "as it stands",
    "person": "the person who is signed in",
    "depot": "the depot the page is narrowed to",
    "item": "the item the link was about",
    "vehicle": "the vehicle the link was about",
    "warmth": "as the depot's climate has it",
    "compartment": "of the job that the finding was seen at",
    "how_long": "the lesser of two",
    "fluid_unit": "as it stands",
    "temperature_unit": "as it stands",
    "torque_unit": "as it stands",
    "found_by": "a mechanic's own role, said so beside it",
}


def in_every_state(shop: Workshop) -> list[WorkOrder]:
    """One order to be started, one begun, one that waits, one that is finished."""
    people, mechanic = shop.people, shop.actor(shop.people.mechanic)
    shop.start()
    waiting = released(people, people.second_van, shop.oil)
    progress.start(mechanic, waiting.pk)
    progress.wait(mechanic, waiting.pk, waiting_for="a filter")
    finished = released(people, other_van(shop, "V-103"), shop.oil)
    progress.start(mechanic, finished.pk)
    progress.end_job(mechanic, finished.jobs.get().pk, state="done", because="not tried here")
    ending.finish(mechanic, finished.pk, AtFinish(odometer=10_700, fit_for_use="yes"))
    drafted = released(people, other_van(shop, "V-104"), shop.oil)
    CheckFigure.objects.create(
        service=shop.oil, slug="water", name="Water", unit="%", pass_to=2, source=INVENTED
    )
    findings.report(
        mechanic,
        Report(
            vehicle=people.van, kind="seep", severity="watch", text="damp", client_key="damp-001"
        ),
    )
    plans.plan([people.plain.pk], depots_day())
    return [shop.now(), waiting, finished, drafted]


def other_van(shop: Workshop, number: str) -> Vehicle:
    return vehicle(number, shop.people.plain, shop.people.van_type)


def addresses(orders: list[WorkOrder]) -> list[str]:
    own = [f"/work-orders/{order.number}{page}" for order in orders for page in ("", "/card")]
    places = ("overview", "due", "readings", "runs", "method", "stock", "consumables", "findings")
    more = ("costs", "work-orders", "todays-orders", "people-and-tokens", "field-trials")
    planned = Visit.objects.order_by("on")[:1] if orders else ()  # without orders: no database
    visits = [f"/workshop-days/visits/{one.pk}" for one in planned]
    return [
        *("/vehicles/V-101", "/workshop-days", *visits, *own),
        *(f"/{one}" for one in (*places, *more, "baselines")),
    ]


@kept
def orders(shop: Workshop) -> list[WorkOrder]:
    return in_every_state(shop)


def rendered(client: Client, orders: list[WorkOrder]) -> Iterator[tuple[str, Form]]:
    """Forms that change something, each once."""
    seen = set()
    for address in addresses(orders):
        answer = client.get(address)
        assert answer.status_code == 200, address
        for form in forms_of(answer.content.decode()):
            mark = (form.action, tuple(sorted(form.sent)), form.sent.get("change", [""])[0])
            if form.method == "post" and mark not in seen and form.action != "/sign-out":
                seen.add(mark)
                yield address, form


def who(shop: Workshop, role: Role) -> Person:
    people = {one.role: one for one in (shop.people.supervisor, shop.people.mechanic)}
    return people.get(role) or person(f"New {role}", role, shop.people.plain)


@pytest.mark.any_database  # what a form sends is the page's; each page's tests store it on both
def test_an_untouched_form_stores_nothing_that_nobody_chose(
    shop: Workshop, orders: list[WorkOrder], signed_in: SignedIn
) -> None:
    """As every role in turn; what one role's page sent is not sent again by the next."""
    seen, before = set(), _rows()
    for role in ROLES:
        client = signed_in(who(shop, role))
        for address, form in rendered(client, orders):
            _refuse_first_options(address, form)
            for button in form.buttons or [("", "")]:
                mark = (form.action, form.sent.get("change", [""])[0], *form.sent, *button)
                if mark not in seen and form.action not in COMPUTES_ONLY:
                    _send(client, address, form, button, before)
                    seen.add(mark)
    assert len(seen) > 40


def _refuse_first_options(address: str, form: Form) -> None:
    """What a select sends by itself is marked as what stands, and stands among the presets."""
    for select in form.selects:
        marked = select.name in PRESET and select.chosen is not None
        assert marked or not select.sent, (address, form.action, select)


def _send(client: Client, address: str, form: Form, button: tuple[str, str], before: Rows) -> None:
    given = {**form.sent, **{one.name: [one.sent] for one in form.selects}, **_needed(form)}
    given |= {button[0]: [button[1]]} if button[0] else {}
    sent = {value for values in given.values() for value in values}
    unchosen = {value for one in form.selects for value in one.options} - sent - {""}
    with transaction.atomic():
        answer = client.post(form.action or address, {name: list(v) for name, v in given.items()})
        after = _rows() if unchosen else {}
        transaction.set_rollback(True)
    assert answer.status_code in (200, 302, 403, 409, 422), (address, form.action)
    for row, values in after.items():
        found = {f"{name}={v}" for name, v in values.items() if v in unchosen}
        was = {f"{name}={v}" for name, v in before.get(row, {}).items()}
        assert not found - was, (address, form.action, row)


def _needed(form: Form) -> dict[str, list[str]]:
    """Only what must be given: required fields, and the last option of required selects."""
    found = {name: [TYPED.get(kind, "as asked")] for name, kind in form.needed.items()}
    found |= {name: [values[-1]] for name, values in form.offered.items()}
    found |= {one.name: [one.options[-1]] for one in form.selects if one.required}
    return found


def _rows() -> Rows:
    """Every text with a set of choices, of what work and people are made of."""
    found: Rows = {}
    with connection.cursor() as cursor:
        for name, texts, sql in _questions():
            cursor.execute(sql)
            found |= {
                (name, key): dict(zip(texts, values, strict=True))
                for key, *values in cursor.fetchall()
            }
    return found


@cache
def _questions() -> list[tuple[str, list[str], str]]:
    """Of each model its name, its texts and how they are read, told once: it is asked after each
    form that is sent."""
    found = []
    for label in ("workorders", "people", "due", "stores", "duty", "trials", "readings"):
        for model in apps.get_app_config(label).get_models():
            texts = [
                one.attname
                for one in model._meta.concrete_fields
                if isinstance(one, models.CharField)
            ]
            if texts and not model.__name__.startswith("Historical"):
                rows = model._default_manager.values_list("pk", *texts)[:200]
                found.append((model.__name__, texts, str(rows.query)))
    return found


def test_done_sends_no_reason_and_not_done_asks_for_one(
    shop: Workshop, signed_in: SignedIn
) -> None:
    shop.start()
    client = signed_in(shop.people.mechanic)
    forms = forms_of(client.get(f"{shop.page}/card").content.decode())
    done, not_done = [form for form in forms if form.sent.get("change") == ["end-job"]]
    assert (done.selects, done.buttons) == ([], [("state", "done")])
    assert not_done.selects == [Select("reason", True, ["", *Job.Reason.values])]
    client.post(done.action, {**done.sent, "state": "done", "because": "seen"})
    job = shop.job
    assert (job.state, job.reason, job.reason_text) == ("done", "", "")
    assert resolve(done.action).url_name == "change-order"
    assert job.ended_at is not None
    assert job.ended_at <= timezone.now()
