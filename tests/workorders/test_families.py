"""Rules of safe work: HSE motor vehicle repair (supports, not jacks alone), 29 CFR 1926.305 and
common practice for the order of steps at a level plug."""

import pytest

from fleet.workorders.families import ORDER
from fleet.workorders.hazards import HAZARDS
from fleet.workorders.models import Procedure, Step
from tests.workorders.gearbox_procedure import KINDS, ProcedureRows, caution, steps
from tests.workorders.sound_procedures import sound_procedures


def test_a_complete_procedure_has_no_faults() -> None:
    assert ProcedureRows().faults() == []


def test_the_fill_plug_is_opened_before_the_drain_plug() -> None:
    # common practice, no source: otherwise a drained gearbox may not take new oil
    swapped = steps()
    swapped[1].number, swapped[2].number = 3, 2
    faults = ProcedureRows().but(steps=swapped).faults()
    assert any("'open fill plug' must come before 'open drain plug'" in fault for fault in faults)


@pytest.mark.parametrize("kind", [kind for kind, _ in KINDS])
def test_no_step_of_the_family_may_be_missing(kind: str) -> None:
    left = [step for step in steps() if step.kind != kind]
    faults = ProcedureRows().but(steps=left).faults()
    assert any(kind in fault for fault in faults)


@pytest.mark.parametrize(
    "slug",
    [
        *("raised-on-lift", "raised-on-stands", "raised-on-ramps", "over-a-pit"),
        *("key-out", "exhaust-gas", "hot-fluid", "used-fluid"),
    ],
)
def test_removing_a_required_caution_is_a_fault(slug: str) -> None:
    written = ProcedureRows()
    left = [row for row in written.cautions if row.slug != slug]
    assert any(f"caution '{slug}'" in fault for fault in written.but(cautions=left).faults())


def test_a_caution_that_misses_its_steps_is_a_fault() -> None:
    written = ProcedureRows()
    narrowed = [row for row in written.cautions if row.slug != "hot-fluid"]
    narrowed.append(caution("hot-fluid", step_kinds=["fill"]))
    assert any("hot-fluid" in fault for fault in written.but(cautions=narrowed).faults())


def test_an_electric_vehicle_needs_the_high_voltage_caution() -> None:
    written = ProcedureRows().but(powertrain="electric")
    assert written.faults() == []
    left = [row for row in written.cautions if row.slug != "high-voltage"]
    assert any("high-voltage" in fault for fault in written.but(cautions=left).faults())
    assert ProcedureRows().but(cautions=left).faults() == []


def test_every_plug_closed_gets_a_seal_of_its_own() -> None:
    written = ProcedureRows()
    assert any("washer of fill plug" in fault for fault in written.but(materials=[
        written.materials[0]]).faults())  # fmt: skip
    written.fasteners[0].seal = "none"
    assert any("drain plug has no seal" in fault for fault in written.faults())


def test_a_washer_needs_its_size() -> None:
    written = ProcedureRows()
    written.fasteners[0].seal_size = ""
    assert any("no size" in fault for fault in written.faults())


def test_a_plug_closed_needs_its_torque() -> None:
    written = ProcedureRows()
    written.steps[5].fastener = ""
    assert any("name its fastener" in fault for fault in written.faults())
    written.steps[5].fastener = "nowhere"
    assert any("'nowhere' that is not there" in fault for fault in written.faults())


def test_wheels_off_ask_for_nut_torque_and_a_second_tightening() -> None:
    written = ProcedureRows()
    written.procedure.wheels_removed = True
    faults = written.faults()
    assert any("wheel-nut torque" in fault for fault in faults)
    assert any("'refit'" in fault for fault in faults)


def test_a_drain_plug_is_reached_from_under_the_vehicle() -> None:
    # without the mark its cautions about a raised vehicle would not be asked for
    written = ProcedureRows()
    written.steps[2].under_vehicle = False
    assert "step 3 (open drain plug) is done under the vehicle: mark it so" in written.faults()


def test_running_an_engine_is_marked_unless_there_is_none() -> None:
    written = ProcedureRows()
    written.steps[8].engine_running = False
    assert "step 9 (run) runs the engine: mark it so" in written.faults()
    assert written.but(powertrain="electric").faults() == []


def test_a_firm_pedal_comes_before_the_brake_test() -> None:
    kinds = [str(kind) for kind in ORDER[Procedure.Family.BRAKE_FLUID]]
    assert kinds.index("firm pedal") < kinds.index("brake test")


def test_a_check_must_measure_or_look() -> None:
    written = ProcedureRows().but(
        procedure=Procedure(family="check"), steps=[Step(number=1, kind="prepare", text="x")]
    )
    assert any("measures or looks" in fault for fault in written.faults())


def test_every_family_has_its_order() -> None:
    assert set(ORDER) == set(Procedure.Family)


def test_every_hazard_has_a_name_of_its_own() -> None:
    slugs = [hazard.slug for hazard in HAZARDS]
    assert len(slugs) == len(set(slugs))


def test_engine_oil_drawn_out_from_above_needs_no_drain_plug() -> None:
    # common practice, no source: suction through the dipstick tube, filter from above
    kinds = ("suction", "filter", "fill", "run", "wait", "read level", "leak check")
    drawn = [
        Step(number=at, kind=kind, text=kind, engine_running=kind == "run")
        for at, kind in enumerate(kinds, start=1)
    ]
    written = ProcedureRows().but(procedure=Procedure(family="engine oil"), steps=drawn)
    assert not any("there is no step" in fault for fault in written.faults())
    faults = written.but(steps=drawn[:1] + drawn[2:]).faults()
    assert "there is no step 'filter': add it" in faults


def test_a_dry_taper_plug_has_nothing_to_renew() -> None:
    written = ProcedureRows()
    written.fasteners[0].seal = "dry taper"
    written.fasteners[0].seal_size = ""
    assert written.but(materials=written.materials[1:]).faults() == []


# --- what holds of the steps of every procedure ----------------------------------------------
def told(name: str, *changes: tuple[str, str]) -> list[str]:
    """Faults of a sound book in which steps of one kind became another; '' takes them out."""
    written = sound_procedures()[name]
    for old, new in changes:
        if not new:
            written = written.but(steps=[step for step in written.steps if step.kind != old])
        for step in written.steps:
            step.kind = new if step.kind == old else step.kind
    return written.faults()


def test_nobody_is_beneath_a_vehicle_that_moves_or_goes_up_or_down() -> None:
    written = sound_procedures()["level plug"]
    for step in written.steps:
        step.under_vehicle = True
    named = {text.partition(")")[0] for text in written.faults() if "nobody beneath" in text}
    assert named == {
        *("step 1 (drive", "step 2 (raise", "step 11 (lower", "step 13 (drive"),
        *("step 14 (raise", "step 16 (lower"),
    }


def test_a_raised_vehicle_is_not_driven_and_not_left_up() -> None:
    faults = told("level plug", ("lower", ""))
    assert "step 13 (drive) moves a raised vehicle: lower it first" in faults
    assert "the vehicle is left raised: add a step 'lower'" in faults


def test_nobody_drives_on_brakes_that_were_bled_before_the_pedal_is_firm() -> None:
    faults = told("brake fluid", ("firm pedal", "inspect"))
    assert any(text.startswith("step 10 (brake test) moves the vehicle before") for text in faults)
    assert any(text.startswith("step 11 (drive) moves the vehicle before") for text in faults)


def test_a_cap_is_closed_before_the_engine_runs_and_at_the_end() -> None:
    assert told("engine oil", ("close cap", "")) == [
        "the cap opened in step 1 is open in step 10 (run): add 'close cap' before it",
        "the cap opened in step 1 is open in step 13 (run): add 'close cap' before it",
        "the cap opened in step 1 is never closed: add 'close cap'",
    ]


def test_a_reservoir_is_closed_before_the_vehicle_is_driven() -> None:
    faults = told("brake fluid", ("close cap", ""))
    assert (
        "the cap opened in step 1 is open in step 10 (brake test): add 'close cap' before it"
        in (faults)
    )


def test_sealant_hardens_before_it_is_wetted() -> None:
    (fault,) = told("sealing plug", ("cure", ""))
    assert fault == (
        "step 5 (fill) comes before the sealant of step 3 has hardened: add 'cure' before it"
    )


def test_a_sealing_plug_may_have_a_washer_instead_and_nothing_to_wait_for() -> None:
    written = sound_procedures()["sealing plug"]
    written.fasteners[2].seal = "sealing washer"
    assert written.but(steps=[step for step in written.steps if step.kind != "cure"]).faults() == []


def test_what_runs_out_behind_a_sealing_plug_needs_its_fluid() -> None:
    written = sound_procedures()["sealing plug"]
    (fault,) = written.but(materials=written.materials[:3]).faults()
    assert fault == "what ran out is filled up again: add the fluid to the materials"


def test_what_runs_out_is_collected_as_something() -> None:
    for name, kind in (("level plug", "step 6 (drain)"), ("suction", "step 2 (suction)")):
        written = sound_procedures()[name]
        written.procedure.used_fluid_class = " "
        assert f"{kind} lets fluid out: say how it is collected, e.g. used oil" in written.faults()


def test_a_level_that_counts_at_its_temperature_is_confirmed_with_both() -> None:
    written = sound_procedures()["at temperature"]
    written.steps[6].confirm = False
    (fault,) = written.faults()
    assert fault.startswith("step 7 (read level) is read at a temperature: mark it as one to conf")


def test_gears_may_be_turned_by_driving_but_not_before_they_have_oil() -> None:
    assert told("level plug", ("run", "")) == []
    written = sound_procedures()["level plug"]
    written.steps[12].kind = written.steps[11].kind = "inspect"
    assert "'close fill plug' must come before 'run': change the order" in written.faults()
