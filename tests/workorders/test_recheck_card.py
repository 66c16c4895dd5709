"""The card of work that is looked at again: what it shows of the work before, and what not."""

from fleet.stores.models import AcceptedFluid, Specification
from fleet.workorders import jobcard
from fleet.workorders.models import ReCheckRule
from tests.kept import kept
from tests.scene import INVENTED
from tests.workorders.conftest import Bay
from tests.workorders.gearbox_procedure import ProcedureRows
from tests.workorders.wheels import Workshop, workshop


@kept
def shop(bay: Bay) -> Workshop:
    return workshop(bay)


def nuts(shop: Workshop) -> None:
    """The wheel nuts of the procedure, the step that tightens them, and what is at hand."""
    make = shop.procedure
    make.fasteners.create(
        slug="wheel-nuts", name="Wheel nuts", torque_nm=160, drive="wheel nut", seal="none",
        source=INVENTED,
    )  # fmt: skip
    make.steps.create(number=2, kind="drain", text="Let it run out.", under_vehicle=True)
    make.steps.create(
        number=3, kind="lower", text="Onto its wheels; nuts crosswise.", fastener="wheel-nuts"
    )
    for name, kind, given in (
        ("Small wrench", "torque wrench", {"drive": "1/2 in", "least_nm": 20, "most_nm": 100}),
        ("Large wrench", "torque wrench", {"drive": "1/2 in", "least_nm": 60, "most_nm": 320}),
        ("Nut socket", "socket or bit", {"drive": "1/2 in", "turns": "wheel nut"}),
        ("Other wrench", "torque wrench", {"drive": "1 in", "least_nm": 60, "most_nm": 320}),
        ("Drain tray", "other", {}),
    ):
        make.tools.create(name=name, kind=kind, **given)
    for caution in ProcedureRows().cautions:
        caution.save()


def accepts_oil(shop: Workshop) -> None:
    wanted = Specification.objects.create(slug="gear", name="Gear oil class", source=INVENTED)
    place = shop.bay.oil.compartment
    AcceptedFluid.objects.create(compartment=place, specification=wanted, source=INVENTED)


def test_wheel_nuts_again_have_their_torque_their_wrench_and_no_fluid(shop: Workshop) -> None:
    nuts(shop)
    accepts_oil(shop)
    rule = shop.rule(fastener="wheel-nuts")
    order = shop.started(rule.service).order
    (job,) = jobcard.card(order.pk, [order.depot]).jobs
    (again,) = job.re_checks
    assert again.fastener is not None
    assert again.fastener.torque_nm == 160
    assert again.tools == ("Large wrench", "Nut socket")
    assert again.how == ("Onto its wheels; nuts crosswise.",)
    assert [row.slug for row in job.cautions] == ["wheel-nuts"]
    assert job.fluid is None


def test_what_is_only_looked_at_again_carries_no_caution_of_the_work_before(
    shop: Workshop,
) -> None:
    nuts(shop)
    accepts_oil(shop)
    shop.procedure.steps.create(number=4, kind="firm pedal", text="Pedal firm.")
    rule = shop.rule("pedal", points=["Pedal"])
    order = shop.started(rule.service).order
    (job,) = jobcard.card(order.pk, [order.depot]).jobs
    assert [row.slug for row in job.cautions] == ["firm-pedal"]
    assert job.fluid is not None  # what is low may be topped up
    ReCheckRule.objects.update(points=["Pedal", "Hose"])  # no step says how that is looked at
    (job,) = jobcard.card(order.pk, [order.depot]).jobs
    assert {"raised-on-lift", "used-fluid"} <= {row.slug for row in job.cautions}


def test_what_two_rules_look_at_again_takes_as_long_as_the_longer(shop: Workshop) -> None:
    first = shop.rule("pedal", points=["Pedal"], minutes=10)
    ReCheckRule.objects.create(
        procedure=shop.procedure, slug="hose", service=first.service, text="Hose dry",
        points=["Hose"], minutes=25, to_km=80.0, source=INVENTED,
    )  # fmt: skip
    order = shop.started(first.service).order
    (job,) = jobcard.card(order.pk, [order.depot]).jobs
    assert job.minutes == 25
