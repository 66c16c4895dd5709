"""What happened at the vehicle before a fault, as the table of routes names it."""

from datetime import timedelta

from django.utils import timezone

from fleet.due.models import CheckFigure
from fleet.people.actor import Actor
from fleet.stores.models import Product
from fleet.vehicles.models import VehicleType
from fleet.workorders import checks, confirming, ending, findings, fluids, progress, torques
from fleet.workorders.confirming import PointSeen
from fleet.workorders.ending import AtFinish
from fleet.workorders.fluids import Pouring
from fleet.workorders.models import (
    ConfirmRecord,
    Procedure,
    Restriction,
    Wrench,
)
from fleet.workorders.torques import Tightened
from tests.cast import depots_day
from tests.dashboard.workshop import INVENTED, Workshop
from tests.workorders.wheels import WHEELS


def nothing(shop: Workshop) -> None:
    """The order is released."""


def begun(shop: Workshop) -> None:
    shop.start()


def ended(shop: Workshop) -> None:
    shop.start()
    mechanic = shop.actor(shop.people.mechanic)
    progress.end_job(mechanic, shop.job.pk, state="done", because="not tried here")


def held(shop: Workshop) -> None:
    """The pedal must be firm before the vehicle moves."""
    Procedure.objects.get().steps.create(
        number=21, kind="firm pedal", text="Pedal firm.", moving_hold=True
    )
    ended(shop)


def failed(shop: Workshop) -> None:
    shop.start()
    figure = CheckFigure.objects.get(slug="freeze")
    mechanic = shop.actor(shop.people.mechanic)
    checks.measure(mechanic, shop.now(), figure=figure, value=-10, client_key="a-bad-freeze")
    progress.end_job(mechanic, shop.job.pk, state="done", because="not tried here")


def stopped(shop: Workshop) -> None:
    ended(shop)
    findings.set_do_not_use(
        shop.actor(shop.people.supervisor), vehicle=shop.order.vehicle, reason="brakes pull"
    )


def restricted(shop: Workshop) -> None:
    ended(shop)
    Restriction.objects.create(
        vehicle=shop.order.vehicle, text="not above 60 km/h", set_at=timezone.now()
    )


def finished(shop: Workshop) -> None:
    ended(shop)
    actor = shop.actor(shop.people.supervisor)
    ending.finish(actor, shop.order.pk, AtFinish(odometer=10_700, fit_for_use="yes"))


def sealed(shop: Workshop) -> None:
    """A plug was set in sealant a minute ago, which wants half an hour."""
    Procedure.objects.get().steps.create(
        number=22, kind="wait", text="Let it cure.", confirm=True, wait_min=30
    )
    shop.start()
    now = timezone.now()
    early = Actor(shop.people.mechanic, "page", now, now - timedelta(minutes=1))
    job, told = shop.job, {"step": 22, "about": "Let it cure.", "seen": True}
    ConfirmRecord.objects.create(
        job=job, client_key="a-cure", person=early.person, performed_at=early.at, **told
    )


def measured_level(shop: Workshop) -> None:
    """A level that wants its temperature."""
    CheckFigure.objects.create(
        service=shop.oil, slug="sump", name="Sump", unit="°C", pass_from=30, source=INVENTED
    )
    Procedure.objects.get().steps.create(
        number=23, kind="read level", text="Level at 30 °C.", confirm=True, figure="sump"
    )
    Procedure.objects.update(family="level at temperature")
    shop.start()


def wheels_off(shop: Workshop) -> None:
    VehicleType.objects.update(wheel_positions=WHEELS)
    Procedure.objects.get().steps.create(
        number=24, kind="refit", text="Wheels on.", points=["each wheel"], confirm=True
    )
    shop.start()


def waiting(shop: Workshop) -> None:
    shop.start()
    progress.wait(shop.actor(shop.people.mechanic), shop.order.pk, waiting_for="a washer")


def plug_tightened(shop: Workshop) -> None:
    """The same mechanic did it a moment ago, with the wrench of the depot."""
    shop.start()
    mechanic = shop.actor(shop.people.mechanic)
    torques.torque(
        mechanic,
        shop.job.pk,
        Tightened(fastener="drain-plug", wrench="TW-3", client_key="a-first-one"),
    )


def filled_just_now(shop: Workshop) -> None:
    shop.start()
    fluids.fluid(
        *(shop.actor(shop.people.mechanic), shop.job.pk),
        Pouring(
            way="filled",
            litres=0.5,
            client_key="a-first-fill",
            product=Product.objects.get(slug="right"),
        ),
    )


def wrench_out_of_date(shop: Workshop) -> None:
    yesterday = depots_day() - timedelta(days=2)
    Wrench.objects.create(depot=shop.people.plain, tag="TW-0", calibrated_until_on=yesterday)
    shop.start()


def level_read(shop: Workshop) -> None:
    Procedure.objects.get().steps.create(number=26, kind="read level", text="Read the level.")
    shop.start()
    mechanic = shop.actor(shop.people.mechanic)
    confirming.confirm(
        mechanic, shop.job.pk, PointSeen(step=26, seen=True, client_key="a-first-level")
    )


def tightened(shop: Workshop) -> None:
    Procedure.objects.get().steps.create(
        number=25, kind="refit", text="Plug in.", fastener="drain-plug", confirm=True
    )
    shop.start()
