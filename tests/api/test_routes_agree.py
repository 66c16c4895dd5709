"""The same fault at the vehicle gets the same answer by API and by page.

Each row: what happened before, what the page's form sends, what a client of the API sends, and
words of the answer; without words it is kept, and what it leaves behind is compared.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from html import unescape
from typing import Any

import pytest
from django.db import models, transaction
from django.test import Client
from rest_framework.test import APIClient

from fleet.due.models import CheckFigure, CheckResult, DueEarlier
from fleet.people.models import Person
from fleet.workorders.models import (
    ConfirmRecord,
    DoNotUse,
    Finding,
    FluidRecord,
    Gap,
    Job,
    MaterialUsed,
    Note,
    Restriction,
    TorqueRecord,
    WorkOrder,
)
from tests.api.conftest import Caller
from tests.api.happened import (
    begun,
    ended,
    failed,
    filled_just_now,
    finished,
    held,
    level_read,
    measured_level,
    nothing,
    plug_tightened,
    restricted,
    sealed,
    stopped,
    tightened,
    waiting,
    wheels_off,
    wrench_out_of_date,
)
from tests.api.routes import address
from tests.cast import Cast
from tests.dashboard.workshop import INVENTED, Workshop, open_workshop
from tests.kept import kept

LEFT_BEHIND: tuple[type[models.Model], ...] = (
    *(TorqueRecord, FluidRecord, MaterialUsed, CheckResult, ConfirmRecord, Note, Finding),
    *(DoNotUse, DueEarlier, Gap, Job, Restriction, WorkOrder),
)
# how a record came in, and its key, differ by nature
BY_NATURE = ("client_key", "channel", "typed_text", "typed")
Given = dict[str, Any]
Before = Callable[[Workshop], object]


# --- the table -----------------------------------------------------------------------------
@dataclass(frozen=True)
class Row:
    name: str
    page: Given
    api: tuple[str, Given]
    words: str = ""  # of the answer; empty: it is kept
    before: Before = begun


def fluid(name: str, litres: str, words: str, before: Before = begun, **more: str) -> Row:
    given = {"way": "filled", "product": "right", **more}
    return Row(
        name,
        {"kind": "fluid", "litres": litres, **given},
        ("fluids", {"quantity": litres, **given}),
        words,
        before,
    )


def torque(name: str, nm: float, words: str, before: Before = begun, **more: str) -> Row:
    given = {"fastener": "drain-plug", **more}
    page = {"kind": "torque", "torque": f"{nm:g}", **given}
    return Row(name, page, ("torque", {"torque_nm": nm, "typed_text": f"{nm:g}", **given}), words,
               before)  # fmt: skip


def check(name: str, value: float, words: str, before: Before = begun, **more: str) -> Row:
    given = {"figure": "freeze", **more}
    page = {"kind": "check", "value": f"{value:g}", **given}
    return Row(name, page, ("checks", {"value": value, **given}), words, before)


def confirm(name: str, words: str, before: Before = begun, **given: Any) -> Row:
    seen = {True: "yes", False: "no"}.get(given.get("seen"), "")
    page = {"kind": "confirm", **{name: str(value) for name, value in given.items()}, "seen": seen}
    return Row(name, page, ("confirms", given), words, before)


def end(name: str, words: str, before: Before = begun, **given: Any) -> Row:
    return Row(name, {"change": "end-job", **given}, ("end", given), words, before)


def finish(name: str, words: str, before: Before = ended, km: str = "10700", **more: str) -> Row:
    given = {"fit_for_use": "yes", **more}
    page = {"change": "finish", "unit": "km", "odometer": km, **given}
    return Row(name, page, ("finish", {"odometer": float(km), **given}), words, before)


def change(what: str, name: str, words: str, before: Before = begun, **given: str) -> Row:
    return Row(name, {"change": what, **given}, (what, given), words, before)


WHY = {"override_reason": "measured twice"}
TABLE = (
    # check-values T-02: 29 recorded as N·m against 39.3 is a lbf·ft slip
    torque("a torque outside its figure", 29, "29 N·m, but the figure is 39.3"),
    torque("a torque outside, with its reason", 29, "", **WHY),
    torque("a torque of nothing", 0, "torque"),
    torque("a fastener that is not there", 29, "fastener", fastener="roof-bolt"),
    torque("a torque before the start", 39.3, "records are taken from start to sign-off", nothing),
    fluid("too much by far", "9", "9 L"),
    fluid("too much, with its reason", "9", "", **WHY),
    fluid("a quart that may be two", "1.5 qt", "US or imperial"),
    fluid("a unit nobody knows", "5 bananas", "bananas"),
    fluid("nothing at all", "0", "above 0"),
    fluid(
        "a product that is not accepted",
        "1.5",
        "Wrong oil is not accepted in the engine. Was it really poured in?",
        product="wrong",
    ),
    fluid("a product that is not accepted, confirmed", "1.5", "", product="wrong", **WHY),
    fluid("too much of it, too", "9", "poured in? 9 L, but", product="wrong"),
    fluid("the same once more at once", "0.5", "already. Once more?", filled_just_now),
    fluid("another quantity at once", "0.6", "", filled_just_now),
    fluid("while the work waits", "1.5", "waits for a washer: tap Go on first", waiting),
    torque("a torque while the work waits", 39.3, "waits for a washer: tap Go on", waiting),
    torque(
        "a wrench past its calibration",
        39.3,
        "The calibration of wrench TW-0 ended on",
        wrench_out_of_date,
        wrench="TW-0",
    ),
    torque(
        "a wrench past its calibration, used", 39.3, "", wrench_out_of_date, wrench="TW-0", **WHY
    ),
    torque("no wrench at all", 39.3, ""),
    torque("tightened just so before", 39.3, "already. Once more?", plug_tightened, wrench="TW-3"),
    torque("tightened again, to another value", 40, "", plug_tightened, wrench="TW-3"),
    confirm(
        "a level read just before", "already. Once more?", step=26, before=level_read, seen=True
    ),  # fmt: skip
    fluid("before the seal has cured", "1.5", "of 30 min have gone", sealed),
    fluid("before the start", "1.5", "records are taken from start to sign-off", nothing),
    check("a sign left out", 35, "Is the sign right?"),
    check("a sign left out, with its reason", 35, "", **WHY),
    check("a value that fails", -10, ""),
    confirm(
        "no word and no value",
        "Say whether it is as it should be",
        step=24,
        before=wheels_off,
        point="front left",
    ),  # fmt: skip
    confirm(
        "no point named",
        "Name one of its points: front left",
        step=24,
        before=wheels_off,
        seen=True,
    ),  # fmt: skip
    confirm(
        "a level without its temperature", "temperature", step=23, before=measured_level, seen=True
    ),  # fmt: skip
    Row(
        "a torque with a decimal comma",
        {"kind": "confirm", "step": "25", "value": "39,4", "unit": "N·m"},
        ("confirms", {"step": 25, "value": 39.4, "unit": "N·m"}),
        before=tightened,
    ),
    Row(
        "a level and its temperature with a decimal comma",
        {"kind": "confirm", "step": "23", "seen": "yes", "temperature": "38,5"},
        ("confirms", {"step": 23, "seen": True, "temperature_c": 38.5}),
        before=measured_level,
    ),
    confirm("a step that is not there", "has no step 99", step=99, seen=True),
    end("done with nothing recorded", "drain plug: torque", state="done"),
    end("done, with why", "", state="done", because="the phone was flat"),
    end("done with a reason", "carries no reason", state="done", reason="plug seized"),
    end("not done without a reason", "Say why it is not done", state="not done", spent_min=5),
    end("not done, with why", "", state="not done", reason="plug seized", spent_min=5),
    end("not done without its minutes", "how many minutes", state="not done", reason="plug seized"),
    finish("a job is open", "Say first how these jobs ended", begun),
    finish("a pedal nobody felt", "does not move before these are confirmed: Pedal firm.", held),
    finish("a pedal nobody felt, as unfit", "", held, fit_for_use="no"),
    finish("a fail, and fit for use", "Freeze −10 °C is a fail", failed),
    finish("a fail, and fit for use, with why", "", failed, because="towed to the maker"),
    finish("do not use, and fit for use", "do not use stands: brakes pull", stopped),
    finish("a restriction without an answer", "whether it is lifted or stays", restricted),
    finish(
        "restricted without words", "Say what the restriction is.", fit_for_use="with restriction"
    ),  # fmt: skip
    finish("a point for the thousands", "please look again. 10,700 km was likely meant", km="10.7"),
    finish("an odometer far too high", "please look again.", km="17000000"),
    change(
        "raise-by",
        "nobody goes beneath on the ground",
        "cannot be done on the ground",
        raising="on the ground",
    ),  # fmt: skip
    change("raise-by", "level on ramps", "needs the vehicle to stand level", raising="ramps"),
    change(
        "raise-by", "level on ramps, with why", "", raising="ramps", override_reason="four ramps"
    ),  # fmt: skip
    change("sign-off", "one's own work signed off", "Nobody signs off their own work", finished),
    change("start", "started twice", "this needs an order that is released"),
)


# --- both ways -----------------------------------------------------------------------------
@kept
def shop(running: Cast) -> Workshop:
    made = open_workshop(running)
    CheckFigure.objects.create(
        service=made.oil, slug="freeze", name="Freeze", unit="°C", pass_to=-25,
        calls_for=made.oil, source=INVENTED,
    )  # fmt: skip
    return made


@contextmanager
def undone() -> Iterator[None]:
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


def by_api(client: APIClient, shop: Workshop, row: Row) -> Any:
    what, given = row.api
    of_job = what in ("torque", "fluids", "checks", "confirms", "end")
    place = f"jobs/{shop.job.pk}" if of_job else f"work-orders/{shop.order.number}"
    key = {"client_key": "a-new-record"} if of_job and what != "end" else {}
    headers = {"If-Match": f'"{shop.now().version}"'}
    return client.post(address(f"{place}/{what}"), {**given, **key}, "json", headers=headers)


def by_page(person: Person, shop: Workshop, row: Row) -> tuple[int, str]:
    """Status of the answer, and the page that is shown then."""
    client = Client()
    client.force_login(person)
    of_order = {"version": shop.now().version, "page": "job-card"}
    of_job = {"job": shop.job.pk, "client_key": "a-new-record"}
    if row.page.get("change") == "end-job":
        answer = client.post(f"{shop.page}/change", {**row.page, **of_order, **of_job})
    elif "change" in row.page:
        answer = client.post(f"{shop.page}/change", {**row.page, **of_order})
    else:
        answer = client.post(f"{shop.page}/records", {**row.page, **of_job})
    seen = client.get(answer["Location"]) if answer.status_code == 302 else answer
    return answer.status_code, unescape(seen.content.decode())


def left_behind() -> dict[str, list[list[str]]]:
    """What stands in the tables of work, without times and numbers of rows."""
    return {
        one.__name__: sorted(
            [f"{field.name}={field.value_from_object(row)}" for field in _fields(one)]
            for row in one._default_manager.all()
        )
        for one in LEFT_BEHIND
    }


def _fields(one: type[models.Model]) -> list[Any]:
    return [
        field
        for field in one._meta.concrete_fields
        if not (field.primary_key or field.is_relation or field.name in BY_NATURE)
        and not isinstance(field, models.DateTimeField)
    ]


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.name)
def test_routes_by_api_equal_routes_by_page_on_the_same_fault(
    row: Row, shop: Workshop, call: Caller
) -> None:
    row.before(shop)
    people, before = shop.people, left_behind()
    who = people.supervisor if row.api[0] == "sign-off" else people.mechanic
    with undone():
        answer = by_api(call(who), shop, row)
        told, stands = answer.json(), left_behind()
    with undone():
        status, seen = by_page(who, shop, row)
        assert left_behind() == stands
    if answer.status_code < 300:
        sentence = (told.get("odometer") or {}).get("question", "")
        assert (status, stands != before) == (302, True)
    else:
        sentence = told["detail"]
        asked = told["errors"][0]["code"] == "question"
        assert (status == 409, stands == before) == (asked, True)
    assert row.words in sentence
    parts = told.get("candidates") if row.api[0] == "end" else None  # a panel, part by part
    assert [one for one in parts or [sentence] if one.casefold() not in seen.casefold()] == []


def test_every_candidate_is_one_tap(shop: Workshop, call: Caller) -> None:
    """The table's questions with candidates offer them as buttons of the page."""
    names = (
        *("a quart that may be two", "a sign left out", "a product that is not accepted"),
        "a wrench past its calibration",
    )
    wrench_out_of_date(shop)
    for row in (row for row in TABLE if row.name in names):
        _, seen = by_page(shop.people.mechanic, shop, row)
        told = by_api(call(shop.people.mechanic), shop, row).json()
        assert told["candidates"]
        for one in told["candidates"]:
            assert f'value="{one.partition(":")[0]}">{one}</button>' in seen
