"""The administration pages store nothing unsound; what is refused is shown again, not lost."""

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from fleet.people.models import Person
from fleet.stores.models import Specification
from fleet.workorders.models import Caution, Fastener, Procedure, Step
from tests.scene import INVENTED
from tests.stores import shelf
from tests.workorders.conftest import Bay
from tests.workorders.gearbox_procedure import ProcedureRows

HEXAGON, HALF = "17 mm internal hexagon", "1/2 in square"
TOOLS: list[dict[str, Any]] = [
    {"name": "Torque wrench", "size": "20 to 100 N·m", "kind": "torque wrench", "drive": HALF},
    {"name": "Breaker bar", "kind": "ratchet or breaker bar", "drive": HALF},
    {"name": "Bit", "kind": "socket or bit", "drive": HALF, "turns": HEXAGON},
    {"name": "Spirit level", "kind": "spirit level"},
    {"name": "Lamp", "kind": "lamp", "raising": ["lift", "pit"]},
]


@pytest.fixture
def client(bay: Bay) -> Client:
    for row in ProcedureRows().cautions:
        row.save()
    client = Client()
    client.force_login(Person.objects.create_superuser("chief"))
    return client


def numbered(prefix: str, rows: list[dict[str, Any]]) -> dict[str, Any]:
    form = {f"{prefix}-TOTAL_FORMS": len(rows), f"{prefix}-INITIAL_FORMS": 0}
    for at, row in enumerate(rows):
        form |= {f"{prefix}-{at}-{name}": value for name, value in row.items()}
    return form


def gearbox_form(bay: Bay) -> dict[str, Any]:
    """A whole level-plug procedure, as typed into the page."""
    written = ProcedureRows()
    steps = [
        {"number": row.number, "kind": str(row.kind), "text": row.text, "fastener": row.fastener}
        | ({"under_vehicle": "on"} if row.under_vehicle else {})
        | ({"engine_running": "on"} if row.engine_running else {})
        for row in written.steps
    ]
    plugs = [
        {"slug": row.slug, "name": row.name, "torque": torque, "stated_unit": "lbf·ft"}
        | {"seal": "sealing washer", "seal_size": row.seal_size, "source": INVENTED}
        | {"drive": HEXAGON}
        for row, torque in zip(written.fasteners, (29, 33), strict=True)
    ]
    washers = [
        {"kind": "seal", "name": row.name, "fastener": row.fastener, "pieces": 1}
        | {"source": INVENTED}
        for row in written.materials
    ]
    own = {"service": bay.oil.pk, "family": "level plug", "edition": "2024", "minutes": 40}
    own["used_fluid_class"] = "used oil"
    shares = {"refill_tolerance_low": 0.15, "refill_tolerance_high": 0.1, "source": INVENTED}
    return {
        **own,
        **shares,
        **numbered("steps", steps),
        **numbered("fasteners", plugs),
        **numbered("materials", washers),
        **numbered("tools", TOOLS),
    }


def sent(client: Client, form: dict[str, Any]) -> Any:
    return client.post(reverse("admin:workorders_procedure_add"), form)


def test_a_sound_procedure_is_stored_with_its_torque_in_newton_metres(
    bay: Bay, client: Client
) -> None:
    assert sent(client, gearbox_form(bay)).status_code == 302
    stored = dict(Fastener.objects.values_list("slug", "torque_nm"))
    # worked example T-02: 29 and 33 lbf·ft (1.3558179483314 N·m each)
    assert stored["drain-plug"] == pytest.approx(39.31872, abs=5e-6)
    assert stored["fill-plug"] == pytest.approx(44.74199, abs=5e-6)


def test_the_page_shows_a_torque_as_its_source_states_it(bay: Bay, client: Client) -> None:
    sent(client, gearbox_form(bay))
    page = client.get(
        reverse("admin:workorders_procedure_change", args=[Procedure.objects.get().pk])
    )
    assert 'name="fasteners-0-torque" value="29.0"' in page.content.decode()


def test_the_wrong_order_of_plugs_is_refused_and_nothing_typed_is_lost(
    bay: Bay, client: Client
) -> None:
    form = gearbox_form(bay) | {"steps-1-number": 3, "steps-2-number": 2}
    answer = sent(client, form)
    page = answer.content.decode()
    assert answer.status_code == 200
    assert "&#x27;open fill plug&#x27; must come before &#x27;open drain plug&#x27;" in page
    assert "20 to 100 N·m" in page
    assert not Procedure.objects.exists()


def test_taking_a_washer_away_is_refused(bay: Bay, client: Client) -> None:
    form = {name: value for name, value in gearbox_form(bay).items() if "materials-1" not in name}
    answer = sent(client, form | {"materials-TOTAL_FORMS": 1})
    assert "sealing washer of fill plug is missing" in answer.content.decode().lower()
    assert not Procedure.objects.exists()


@pytest.mark.parametrize(
    ("left_out", "fault"),
    [
        (2, "No tool turns drain plug (17 mm internal hexagon)"),
        (1, "Only a torque wrench would loosen drain plug"),
        (4, "Step 10 (leak check) needs a lamp"),
    ],
)
def test_tools_that_do_not_fit_are_refused(
    bay: Bay, client: Client, left_out: int, fault: str
) -> None:
    kept = [tool for at, tool in enumerate(TOOLS) if at != left_out]
    form = {name: cell for name, cell in gearbox_form(bay).items() if "tools-" not in name}
    page = sent(client, form | numbered("tools", kept)).content.decode()
    assert fault in page
    assert not Procedure.objects.exists()


def test_a_required_caution_is_neither_deleted_nor_narrowed(bay: Bay, client: Client) -> None:
    sent(client, gearbox_form(bay))
    hot = Caution.objects.get(slug="hot-fluid")
    answer = client.post(reverse("admin:workorders_caution_delete", args=[hot.pk]), {"post": "yes"})
    assert answer.status_code == 403
    narrowed = {"slug": "hot-fluid", "text": hot.text, "source": INVENTED, "step_kinds": ["fill"]}
    page = client.post(reverse("admin:workorders_caution_change", args=[hot.pk]), narrowed)
    assert "hot-fluid&#x27; does not stand before step 3" in page.content.decode()
    hot.refresh_from_db()
    assert "drain" in hot.step_kinds


def test_a_caution_that_nothing_needs_can_be_changed_and_deleted(bay: Bay, client: Client) -> None:
    sent(client, gearbox_form(bay))
    spare = Caution.objects.get(slug="plug-may-be-seized")
    changed = {"slug": spare.slug, "text": "Soak it first.", "source": INVENTED}
    where = reverse("admin:workorders_caution_change", args=[spare.pk])
    assert client.post(where, changed | {"step_kinds": ["fill"]}).status_code == 302
    spare.refresh_from_db()
    assert (spare.text, spare.step_kinds) == ("Soak it first.", ["fill"])
    delete = reverse("admin:workorders_caution_delete", args=[spare.pk])
    assert client.post(delete, {"post": "yes"}).status_code == 302


def test_a_step_added_later_is_held_against_the_family_too(bay: Bay, client: Client) -> None:
    sent(client, gearbox_form(bay))
    procedure = Procedure.objects.get()
    first = procedure.steps.earliest("number")
    form = {name: value for name, value in gearbox_form(bay).items() if name != "service"}
    for prefix in ("steps", "fasteners", "materials", "tools"):
        rows = list(getattr(procedure, prefix).order_by("pk"))
        form[f"{prefix}-INITIAL_FORMS"] = len(rows)
        form |= {f"{prefix}-{at}-id": row.pk for at, row in enumerate(rows)}
    form["steps-0-DELETE"] = "on"
    where = reverse("admin:workorders_procedure_change", args=[procedure.pk])
    answer = client.post(where, form)
    assert "There is no step &#x27;level vehicle&#x27;" in answer.content.decode()
    assert Step.objects.filter(pk=first.pk).exists()


def test_a_fluid_that_the_compartment_does_not_accept_is_not_planned(
    client: Client, bay: Bay
) -> None:
    wanted = Specification.objects.create(slug="gear", name="Gear oil class", source=INVENTED)
    bay.oil.compartment.accepted_fluids.create(specification=wanted, source=INVENTED)
    item = shelf.item("axle-oil", product=shelf.product("axle-oil", "85W-140"))
    oil = {"kind": "fluid", "name": "Oil", "item": item.pk, "quantity_ml": 1500}
    form = gearbox_form(bay)
    number = form["materials-TOTAL_FORMS"]
    form |= {f"materials-{number}-{name}": value for name, value in oil.items()}
    form |= {"materials-TOTAL_FORMS": number + 1, f"materials-{number}-source": INVENTED}
    page = client.post(reverse("admin:workorders_procedure_add"), form).content.decode()
    assert "axle-oil claims none of it" in page
    assert not Procedure.objects.exists()
