"""Points confirmed through the API: one record each, holds that refuse, re-checks that end."""

from typing import Any

from rest_framework.test import APIClient

from fleet.due.models import Service
from fleet.vehicles.models import Depot, VehicleType
from fleet.workorders import progress
from fleet.workorders.models import ConfirmRecord, DoNotUse, Job, Procedure
from tests.api.routes import address
from tests.cast import Cast
from tests.dashboard.workshop import INVENTED, Workshop, open_workshop
from tests.kept import kept
from tests.workorders.wheels import WHEELS


@kept
def shop(running: Cast) -> Workshop:
    made = open_workshop(running)
    VehicleType.objects.update(wheel_positions=WHEELS)
    procedure = Procedure.objects.get()
    procedure.wheels_removed = True
    procedure.save()
    procedure.steps.create(number=21, kind="firm pedal", text="Pedal firm.", moving_hold=True)
    again = Service.objects.create(
        vehicle_type=made.oil.vehicle_type, compartment=made.oil.compartment,
        slug="wheels-again", name="Wheel nuts again", kind="check", source=INVENTED,
    )  # fmt: skip
    procedure.re_check_rules.create(
        slug="wheels", text="Wheel nuts tightened again", points=["each wheel"], to_km=80,
        applies="wheels removed", safety=True, service=again, source=INVENTED,
    )  # fmt: skip
    made.start()
    return made


def confirm(client: APIClient, job: Job, key: str, **given: Any) -> Any:
    told = {"client_key": f"a-new-{key}", **given}
    return client.post(address(f"jobs/{job.pk}/confirms"), told, "json")


def finish(client: APIClient, shop: Workshop, fit: str) -> Any:
    progress.end_job(
        shop.actor(shop.people.mechanic), shop.job.pk, state="done", because="not tried here"
    )
    given = {"odometer": 10_700, "fit_for_use": fit}
    tag = f'"{shop.now().version}"'
    place = address(f"work-orders/{shop.order.number}/finish")
    return client.post(place, given, "json", headers={"If-Match": tag})


def test_a_brake_order_without_a_pedal_record_is_refused_and_named(
    shop: Workshop, mechanic: APIClient
) -> None:
    answer = finish(mechanic, shop, "yes")
    (error,) = answer.json()["errors"]
    assert answer.status_code == 409
    assert "Pedal firm." in error["detail"]


def test_as_unfit_it_passes_and_the_vehicle_is_not_to_be_used(
    shop: Workshop, mechanic: APIClient
) -> None:
    assert finish(mechanic, shop, "no").status_code == 200
    assert DoNotUse.objects.filter(vehicle=shop.people.van).exists()


def test_the_finish_says_what_it_called_and_the_due_list_shows_it_at_once(
    shop: Workshop, mechanic: APIClient
) -> None:
    Depot.objects.update(working_days="1111111")  # whatever day it is
    assert confirm(mechanic, shop.job, "pedal", step=21, seen=True).status_code == 201
    (called,) = finish(mechanic, shop, "yes").json()["called"]
    assert (called["rule"], called["after_km"], called["safety"]) == ("wheels", 80, True)
    rows = mechanic.get(address("due-dates"), {"vehicle": "V-101"}).json()["rows"]
    assert "wheels-again" in {row["service"] for row in rows}
    mine = mechanic.get(address("work-orders"), {"planned_on": "today", "assigned_to": "me"})
    titles = {job["title"] for row in mine.json()["rows"] for job in row["jobs"]}
    assert "Wheel nuts again" in titles


def test_three_wheels_leave_the_fourth_missing_and_the_fourth_ends_it(
    shop: Workshop, mechanic: APIClient
) -> None:
    confirm(mechanic, shop.job, "pedal", step=21, seen=True)
    finish(mechanic, shop, "yes")
    job = Job.objects.get(service__slug="wheels-again")
    progress.start(shop.actor(shop.people.mechanic), job.order_id)
    for wheel in WHEELS[:3]:
        told = confirm(mechanic, job, wheel, rule="wheels", point=wheel, seen=True).json()
    assert told["missing"] == ["Wheel nuts tightened again: rear right"]
    last = confirm(mechanic, job, "rear", rule="wheels", point=WHEELS[3], seen=True).json()
    assert (last["ended"], last["missing"]) == (True, [])
    rows = mechanic.get(address("due-dates"), {"vehicle": "V-101"}).json()["rows"]
    assert "wheels-again" not in {row["service"] for row in rows}


def test_a_record_sent_twice_is_one_is_listed_and_can_be_taken_back(
    shop: Workshop, mechanic: APIClient
) -> None:
    first = confirm(mechanic, shop.job, "twice", step=21, seen=True).json()
    assert confirm(mechanic, shop.job, "twice", step=21, seen=True).json()["id"] == first["id"]
    place = f"work-orders/{shop.order.number}/records"
    assert [row["id"] for row in mechanic.get(address(place)).json()["confirms"]] == [first["id"]]
    back = mechanic.post(
        address(f"{place}/confirms/{first['id']}/withdraw"), {"reason": "it was soft"}, "json"
    )
    assert back.status_code == 204
    assert ConfirmRecord.objects.get().withdrawn_by == shop.people.mechanic


def test_no_word_and_no_value_is_one_clear_sentence(shop: Workshop, mechanic: APIClient) -> None:
    answer = confirm(mechanic, shop.job, "nothing", step=21)
    (error,) = answer.json()["errors"]
    assert (answer.status_code, error["pointer"]) == (422, "#/seen")


def test_the_card_shows_points_and_holds(shop: Workshop, mechanic: APIClient) -> None:
    card = mechanic.get(address(f"work-orders/{shop.order.number}/card")).json()
    (step,) = [step for step in card["jobs"][0]["steps"] if step["number"] == 21]
    assert (step["confirm"], step["moving_hold"], step["points"]) == (True, True, [])
    assert "at most 80 km" in card["jobs"][0]["re_check"]


def test_a_level_is_read_again_after_what_was_topped_up(
    shop: Workshop, mechanic: APIClient
) -> None:
    step = shop.oil.procedure.steps.create(number=26, kind="read level", text="Read the level.")
    level = {"step": step.number, "seen": True}
    assert confirm(mechanic, shop.job, "level", **level).status_code == 201
    asked = confirm(mechanic, shop.job, "level-at-once", **level)
    assert asked.status_code == 409  # the same again, with nothing in between
    poured = {"way": "topped up", "litres": 0.4, "product": "right", "client_key": "a-top-up"}
    place = address(f"jobs/{shop.job.pk}/fluids")
    assert mechanic.post(place, poured, "json").status_code == 201
    assert confirm(mechanic, shop.job, "level-again", **level).status_code == 201
    assert ConfirmRecord.objects.filter(step=step.number).count() == 2
