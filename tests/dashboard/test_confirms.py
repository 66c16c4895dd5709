"""Points confirmed on the job card: by the rendered form's own fields, as a tap sends them."""

import re
from collections.abc import Callable
from typing import Any

from django.test import Client

from fleet.due.models import DueDate, Service
from fleet.people.models import Person
from fleet.vehicles.models import Depot, VehicleType
from fleet.workorders import progress
from fleet.workorders.models import (
    ConfirmRecord,
    DoNotUse,
    Job,
    Procedure,
    ReCheckRule,
    TorqueRecord,
    WorkOrder,
)
from tests.dashboard.forms import Form, forms_of
from tests.dashboard.workshop import INVENTED, Workshop, released
from tests.kept import kept
from tests.workorders.wheels import WHEELS

SignedIn = Callable[[Person], Client]


@kept
def held(shop: Workshop) -> Workshop:
    """The order with a pedal that must be firm, and wheels that come off; begun."""
    VehicleType.objects.update(wheel_positions=WHEELS)
    procedure = Procedure.objects.get()
    procedure.wheels_removed = True
    procedure.save()
    procedure.fasteners.create(
        slug="wheel-nuts", name="Wheel nuts", torque_nm=120, seal="none", source=INVENTED
    )
    procedure.steps.create(
        number=20, kind="refit", text="Wheels on.", fastener="wheel-nuts",
        points=["each wheel"], moving_hold=True,
    )  # fmt: skip
    procedure.steps.create(number=21, kind="firm pedal", text="Pedal firm.", moving_hold=True)
    again = Service.objects.create(
        vehicle_type=shop.oil.vehicle_type, compartment=shop.oil.compartment,
        slug="wheels-again", name="Wheel nuts again", kind="check", source=INVENTED,
    )  # fmt: skip
    procedure.re_check_rules.create(
        slug="wheels", text="Wheel nuts tightened again", points=["each wheel"], to_km=80,
        applies="wheels removed", safety=True, service=again, source=INVENTED,
    )  # fmt: skip
    shop.start()
    return shop


def forms(client: Client, page: str, **having: str) -> list[Form]:
    """Forms of a card that carry some values."""
    html = client.get(f"{page}/card").content.decode()
    wanted = {name: [value] for name, value in having.items()}
    return [form for form in forms_of(html) if wanted.items() <= form.sent.items()]


def tap(client: Client, form: Form, button: tuple[str, str], **typed: str) -> Any:
    assert button in form.buttons
    sent = {name: value[-1] for name, value in form.sent.items()}
    return client.post(form.action, {**sent, button[0]: button[1], **typed}, follow=True)


def test_one_tap_confirms_the_pedal(held: Workshop, signed_in: SignedIn) -> None:
    client = signed_in(held.people.mechanic)
    form = forms(client, held.page, step="21", seen="yes")[0]
    answer = tap(client, form, ("point", ""))
    assert ConfirmRecord.objects.get().seen
    assert "as it should be" in answer.content.decode()


def test_one_tap_tightens_all_four_and_each_can_be_taken_back(
    held: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(held.people.mechanic)
    form = forms(client, held.page, step="20", kind="confirm")[0]
    tap(client, form, ("point", "every point"))
    assert [row.point for row in TorqueRecord.objects.order_by("pk")] == WHEELS
    assert {row.torque_nm for row in TorqueRecord.objects.all()} == {120}
    tap(client, form, ("point", "every point"))  # sent twice
    assert TorqueRecord.objects.count() == 4
    html = client.get(held.page).content.decode()
    backs = [form for form in forms_of(html) if "/records/torque/" in form.action]
    client.post(backs[0].action, {"reason": "not that one"})
    assert TorqueRecord.objects.filter(withdrawn_by=None).count() == 3


def test_the_panel_at_done_takes_all_wheels_by_one_tap(held: Workshop, signed_in: SignedIn) -> None:
    client = signed_in(held.people.mechanic)
    (done,) = [one for one in forms(client, held.page) if ("state", "done") in one.buttons]
    asked = tap(client, done, ("state", "done")).content.decode()
    assert "Wheels on: front left, front right, rear left, rear right" in asked
    panel = forms_of(asked[asked.index("is it done?") :])
    (wheels,) = [one for one in panel if one.sent.get("step") == ["20"]]
    assert "4 records kept." in tap(client, wheels, ("point", "every point")).content.decode()
    rows = TorqueRecord.objects.order_by("pk")
    assert [(row.point, row.torque_nm) for row in rows] == [(wheel, 120) for wheel in WHEELS]


def test_one_wheel_is_one_record(held: Workshop, signed_in: SignedIn) -> None:
    client = signed_in(held.people.mechanic)
    form = forms(client, held.page, kind="torque", fastener="wheel-nuts", whole="yes")[0]
    tap(client, form, ("point", "rear left"))
    assert [row.point for row in TorqueRecord.objects.all()] == ["rear left"]


def finish(client: Client, shop: Workshop, fit: str) -> str:
    progress.end_job(
        shop.actor(shop.people.mechanic), shop.job.pk, state="done", because="not tried here"
    )
    given = {"change": "finish", "page": "job-card", "odometer": "10700", "fit_for_use": fit}
    given["version"] = str(shop.now().version)
    return str(client.post(f"{shop.page}/change", given, follow=True).content.decode())


def test_a_finish_as_fit_names_the_points_that_are_missing(
    held: Workshop, signed_in: SignedIn
) -> None:
    html = finish(signed_in(held.people.mechanic), held, "yes")
    assert "Pedal firm." in html
    assert "Wheels on: front left, front right, rear left, rear right; Pedal firm. Record" in html
    assert held.now().state == WorkOrder.State.STARTED


def test_a_finish_as_unfit_passes_and_marks_the_vehicle(
    held: Workshop, signed_in: SignedIn
) -> None:
    finish(signed_in(held.people.mechanic), held, "no")
    assert held.now().state == WorkOrder.State.FINISHED
    assert "Pedal firm." in DoNotUse.objects.get().reason


def test_the_re_check_is_on_todays_orders_and_its_card_takes_every_wheel(
    held: Workshop, signed_in: SignedIn
) -> None:
    Depot.objects.update(working_days="1111111")  # whatever day it is
    client = signed_in(held.people.mechanic)
    for step, point in (("20", "every point"), ("21", "")):
        tap(client, forms(client, held.page, step=step, kind="confirm")[0], ("point", point))
    finish(client, held, "yes")
    job = Job.objects.get(service__slug="wheels-again")
    assert f"/work-orders/{job.order.number}" in client.get("/todays-orders").content.decode()
    assert "Wheel nuts again" in client.get("/due").content.decode()
    progress.start(held.actor(held.people.mechanic), job.order_id)
    page = f"/work-orders/{job.order.number}"
    form = forms(client, page, rule="wheels", seen="yes")[0]
    for wheel in WHEELS[:3]:
        form = forms(client, page, rule="wheels", seen="yes")[0]
        tap(client, form, ("point", wheel))
    assert DueDate.objects.filter(service=job.service).exists()
    tap(client, forms(client, page, rule="wheels", seen="yes")[0], ("point", "every point"))
    assert ConfirmRecord.objects.filter(rule__slug="wheels").count() == 4
    assert not DueDate.objects.filter(service=job.service).exists()


def test_a_wheel_that_moved_is_reported_in_the_same_breath(
    held: Workshop, signed_in: SignedIn
) -> None:
    rule, client = ReCheckRule.objects.get(), signed_in(held.people.mechanic)
    wrong = [form for form in forms(client, held.page, step="21") if ("seen", "no") in form.buttons]
    tap(client, wrong[0], ("seen", "no"))
    assert not ConfirmRecord.objects.get().seen
    assert rule.records.count() == 0


def wheels_again(held: Workshop) -> WorkOrder:
    """A released order to look at the wheels again, where the book says how."""
    procedure = Procedure.objects.get()
    procedure.fasteners.filter(slug="wheel-nuts").update(drive="wheel nut")
    procedure.re_check_rules.update(fastener="wheel-nuts")
    procedure.tools.create(
        name="Large wrench", kind="torque wrench", drive="1/2 in", least_nm=60, most_nm=320
    )
    procedure.tools.create(
        name="Nut socket", kind="socket or bit", drive="1/2 in", turns="wheel nut"
    )
    return released(held.people, held.people.van, Service.objects.get(slug="wheels-again"))


def test_wheel_nuts_again_show_torque_wrench_and_order_by_page_and_api(
    held: Workshop, signed_in: SignedIn
) -> None:
    order, client = wheels_again(held), signed_in(held.people.mechanic)
    seen = client.get(f"/work-orders/{order.number}/card").content.decode()
    job = seen.partition('class="card-job"')[2].partition('class="card-end"')[0]
    assert '<strong class="torque-figure">120\N{NARROW NO-BREAK SPACE}N·m</strong>' in job
    assert "By the procedure: Wheels on." in job
    assert '<span class="quiet">15 min</span>' in job  # its rule's; common practice, no source
    assert "To fetch: Large wrench; Nut socket" in job
    assert "Not accepted here" not in job
    assert re.findall(r"Caution:</strong> ([a-z-]+)\.", job) == ["wheel-nuts"]
    told = client.get(f"/api/v1/work-orders/{order.number}/card").json()["jobs"][0]
    (again,) = told["re_checks"]
    assert told["minutes"] == 15
    assert (again["fastener"]["torque_nm"], again["how"]) == (120, ["Wheels on."])
    assert again["tools"] == ["Large wrench", "Nut socket"]
    assert ([one["slug"] for one in told["cautions"]], told["fluid"]) == (["wheel-nuts"], None)
