from dataclasses import asdict

import pytest

from fleet.faults import Fault
from fleet.stores.models import Specification
from fleet.vehicles.models import Compartment
from fleet.workorders import cardjson, findings, issue, jobcard, joblist, progress
from fleet.workorders.findings import Report
from fleet.workorders.issue import OrderDraft
from fleet.workorders.jobcard import Card, CardJob
from fleet.workorders.models import Caution, Job, Material, Procedure, Tool, WorkOrder
from tests import scene
from tests.kept import kept
from tests.scene import INVENTED
from tests.workorders.conftest import Bay
from tests.workorders.gearbox_procedure import ProcedureRows


@kept
def order(bay: Bay) -> WorkOrder:
    written = ProcedureRows()
    procedure = Procedure.objects.create(
        service=bay.oil,
        family="level plug",
        edition="2024",
        source=INVENTED,
        minutes=40,
        used_fluid_class="used oil",
    )
    for row in (*written.steps, *written.fasteners, *written.materials):
        row.procedure = procedure
        row.save()
    for caution in written.cautions:
        caution.save()
    Tool.objects.create(procedure=procedure, name="Hexagon key", size="17 mm")
    # worked example, common practice, no source: 1.5 L, sold in bottles of a litre
    Material.objects.create(
        procedure=procedure,
        kind="fluid",
        name="Gearbox oil",
        quantity_ml=1500,
        container_ml=1000,
        source=INVENTED,
    )
    return bay.order()


def shown(order: WorkOrder) -> Card:
    return jobcard.card(order.pk, [order.depot])


def cautions_before(found: Card, kind: str) -> list[str]:
    """Cautions that a reader has passed by the time a step of this kind comes."""
    passed: list[str] = []
    for step in found.jobs[0].steps:
        passed += [caution.slug for caution in step.cautions]
        if step.kind == kind:
            return passed
    raise AssertionError(f"no step {kind}")


def test_a_card_as_plain_values_is_what_its_fields_say(order: WorkOrder) -> None:
    found = shown(order)
    assert found.jobs[0].steps
    assert cardjson.as_json(found) == asdict(found)


def test_cards_put_together_at_once_are_those_of_each_order(order: WorkOrder) -> None:
    """Alike in their work, they differ in how and where it is done."""
    salted = scene.depot("coast")
    salted.salted_roads = True
    salted.save()
    Caution.objects.create(slug="rust", text="Look for rust.", salted_roads=True, source=INVENTED)
    other, work = order.jobs.get(), []
    for number, at, raising in (
        ("V-2", None, "pit"),
        ("V-3", salted, "lift"),
        ("V-4", None, "lift"),
    ):
        van = scene.van(number, at)
        made = WorkOrder.objects.create(
            number=f"W-{number}", vehicle=van, depot=van.depot, raising=raising
        )
        Job.objects.create(order=made, vehicle=van, service=other.service, title="Oil")
        Job.objects.create(order=made, vehicle=van, title="Mirror")
        work.append(made)
    every = [order, *work]
    together = jobcard.cards([one.pk for one in every], [one.depot for one in every])
    assert together == {one.pk: shown(one) for one in every}
    told = [
        {row.slug for step in together[one.pk].jobs[0].steps for row in step.cautions}
        | {row.slug for row in together[one.pk].jobs[-1].cautions}
        for one in work
    ]
    assert ["rust" in slugs for slugs in told] == [False, True, False]
    assert told[0] != told[2]


def test_each_job_of_an_order_is_of_its_own_service_or_of_none(bay: Bay, order: WorkOrder) -> None:
    engine = scene.service("engine", km=5_000, months=None)
    Procedure.objects.create(
        service=engine, family="engine oil", edition="2025", source=INVENTED, minutes=25
    )
    joblist.add_jobs(bay.actor(), order.pk, service_ids=[engine.pk], other_work=[("Mirror", 15)])
    for found in (shown(order), jobcard.cards([order.pk], [order.depot])[order.pk]):
        told = [(job.service, job.minutes, job.edition, bool(job.steps)) for job in found.jobs]
        assert told == [
            (bay.oil.slug, 40, "2024", True),
            (engine.slug, 25, "2025", False),
            ("", 15, "", False),
        ]


def test_the_card_shows_torque_in_both_units(order: WorkOrder) -> None:
    plugs = {plug.slug: plug for plug in shown(order).jobs[0].fasteners}
    drain, fill = plugs["drain-plug"], plugs["fill-plug"]
    assert (drain.torque_nm, round(drain.torque_lbfft, 4)) == (39.32, 29.0)
    assert (fill.torque_nm, round(fill.torque_lbfft, 4)) == (44.74, 33.0)


def test_one_washer_for_each_plug_and_two_bottles_of_oil(order: WorkOrder) -> None:
    materials = shown(order).jobs[0].materials
    washers = [row for row in materials if row.kind == "seal"]
    (oil,) = [row for row in materials if row.kind == "fluid"]
    assert sum(row.pieces or 0 for row in washers) == 2
    assert (oil.litres, oil.containers) == (1.5, 2)


def test_what_goes_in_is_listed_before_its_seals(order: WorkOrder) -> None:
    assert [row.kind for row in shown(order).jobs[0].materials] == ["fluid", "seal", "seal"]


def test_what_to_look_at_again_stands_on_the_card(order: WorkOrder) -> None:
    Procedure.objects.update(re_check="both plugs within 14 days")
    assert shown(order).jobs[0].re_check == "both plugs within 14 days"
    assert shown(order).jobs[0].printed_only is True
    Procedure.objects.update(re_check="")
    assert shown(order).jobs[0].printed_only is False


def test_a_us_quart_bottle_also_makes_two(order: WorkOrder) -> None:
    Material.objects.filter(kind="fluid").update(container_ml=946)
    assert [row.containers for row in shown(order).jobs[0].materials if row.litres] == [2]


def test_cautions_come_before_the_steps_they_belong_to(order: WorkOrder) -> None:
    found = shown(order)
    assert {"raised-on-lift", "key-out"} <= set(cautions_before(found, "level vehicle"))
    assert {"hot-fluid", "used-fluid"} <= set(cautions_before(found, "drain"))
    assert "exhaust-gas" in cautions_before(found, "run")


@pytest.mark.parametrize(
    ("raising", "slug"),
    [
        ("lift", "raised-on-lift"),
        ("jack and stands", "raised-on-stands"),
        ("ramps", "raised-on-ramps"),
        ("pit", "over-a-pit"),
    ],
)
def test_cautions_follow_how_the_bay_raises_the_vehicle(
    bay: Bay, order: WorkOrder, raising: str, slug: str
) -> None:
    progress.raise_by(bay.actor(), order.pk, raising=raising, override_reason="level")
    every = {row.slug for step in shown(order).jobs[0].steps for row in step.cautions}
    others = {"raised-on-lift", "raised-on-stands", "raised-on-ramps", "over-a-pit"} - {slug}
    assert slug in every
    assert not every & others


def test_salted_roads_add_a_caution_at_the_drain_plug(bay: Bay, order: WorkOrder) -> None:
    assert "plug-may-be-seized" not in cautions_before(shown(order), "open drain plug")
    bay.van.depot.salted_roads = True
    bay.van.depot.save()
    assert "plug-may-be-seized" in cautions_before(shown(order), "open drain plug")


def test_do_not_use_and_open_findings_stand_on_the_card(bay: Bay, order: WorkOrder) -> None:
    findings.report(
        bay.actor(),
        Report(
            vehicle=bay.van,
            kind="leak",
            severity="before use",
            text="drips fast",
            client_key="finding-1",
        ),
    )
    found = shown(order)
    assert "drips fast" in found.do_not_use
    assert found.open_findings == ("leak: drips fast",)


def test_every_figure_names_its_source_and_edition(order: WorkOrder) -> None:
    job = shown(order).jobs[0]
    assert all(plug.source and plug.edition for plug in job.fasteners)
    assert all(row.source for row in job.materials)
    assert shown(order).maker_first.startswith("The vehicle maker's current data")


def test_a_service_without_a_procedure_says_so(bay: Bay) -> None:
    (job,) = shown(bay.order()).jobs
    assert (job.steps, job.note) == ((), jobcard.NO_PROCEDURE)


def test_a_second_job_that_goes_beneath_again_warns_again(bay: Bay, order: WorkOrder) -> None:
    Job.objects.filter(order=order).update(state="done")
    again = Job.objects.create(order=order, vehicle=bay.van, service=bay.oil, title="Again")
    first, second = shown(order).jobs
    assert second.id == again.pk
    for job in (first, second):
        slugs = [row.slug for step in job.steps for row in step.cautions]
        assert slugs.count("raised-on-lift") == 2  # beneath, and beneath again after the run
    assert "high-voltage" not in slugs


def test_a_procedure_that_fails_a_rule_of_today_keeps_its_card_and_is_marked(
    order: WorkOrder,
) -> None:
    assert shown(order).jobs[0].unsound == ()
    Caution.objects.filter(slug="falling-dirt").delete()
    job = shown(order).jobs[0]
    assert len(job.steps) == 10  # counted in tests/workorders/gearbox_procedure.py
    (why,) = [text for text in job.unsound if "falling-dirt" in text]
    assert why.startswith("the caution 'falling-dirt' does not stand before step 1")


def free_text(bay: Bay, kind: str = "", raising: str = "lift") -> CardJob:
    """The card of a job in words, on a compartment of this kind."""
    for caution in ProcedureRows().cautions:
        caution.save()
    order = issue.draft(
        bay.actor(),
        OrderDraft(vehicle_id=bay.van.pk, other_work=[("Look for the leak", 20)], raising=raising),
    )
    if kind:
        Compartment.objects.update(kind=kind)
        order.jobs.update(compartment=bay.oil.compartment)
    return shown(order).jobs[0]


@pytest.mark.parametrize(
    ("kind", "slugs"),
    [
        ("engine", {"hot-fluid", "used-oil", "exhaust-gas"}),
        ("gearbox", {"hot-fluid", "used-oil", "plug-by-hand"}),
        ("cooling", {"coolant-only-cold", "coolant-poisonous"}),
        ("brake", {"brake-fluid-sealed", "brake-fluid-eyes", "firm-pedal"}),
        ("", {"raised-on-lift", "key-out", "shifting-load"}),
    ],
)
def test_a_job_in_words_carries_the_cautions_of_raising_and_of_its_compartment(
    bay: Bay, kind: str, slugs: set[str]
) -> None:
    job = free_text(bay, kind)
    assert job.compartment == (bay.oil.compartment.slug if kind else "")
    found = [row.slug for row in job.cautions]
    assert {"raised-on-lift", "key-out", "falling-dirt"} | slugs <= set(found)
    assert len(found) == len(set(found))
    foreign = {"coolant-only-cold", "firm-pedal", "used-oil", "high-voltage"} - slugs
    assert not foreign & set(found)


def test_a_job_in_words_on_the_ground_has_nobody_beneath(bay: Bay) -> None:
    found = {row.slug for row in free_text(bay, "cooling", "on the ground").cautions}
    assert "coolant-only-cold" in found
    assert not {"raised-on-lift", "key-out", "falling-dirt"} & found


def test_an_unknown_order_is_refused(db: None) -> None:
    with pytest.raises(Fault, match="no work order"):
        jobcard.card(1, [])


def test_a_tool_is_fetched_only_in_the_bays_it_is_for(order: WorkOrder) -> None:
    procedure = Procedure.objects.get()
    procedure.tools.create(name="Axle stands", kind="stands", raising=["jack and stands"])
    procedure.tools.create(name="Bar", kind="ratchet or breaker bar")
    assert shown(order).jobs[0].tools == ("Bar", "Hexagon key 17 mm")
    WorkOrder.objects.filter(pk=order.pk).update(raising="jack and stands")
    assert shown(order).jobs[0].tools == ("Bar", "Axle stands", "Hexagon key 17 mm")


def test_a_material_says_the_specification_asked_for_where_there_is_one(order: WorkOrder) -> None:
    asked = Specification.objects.create(slug="gl-4", name="GL-4 as invented", source=INVENTED)
    Material.objects.filter(kind="fluid").update(specification=asked)
    said = {row.kind: row.specification for row in shown(order).jobs[0].materials}
    assert said == {"fluid": "GL-4 as invented", "seal": ""}
