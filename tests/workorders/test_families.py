"""Rules of safe work: HSE motor vehicle repair (supports, not jacks alone), 29 CFR 1926.305 and
common practice for the order of steps at a level plug."""

import pytest

from fleet.workorders.families import HAZARDS, ORDER
from fleet.workorders.models import Procedure, Step
from tests.workorders.book import KINDS, Book, caution, steps


def test_a_complete_procedure_has_no_faults() -> None:
    assert Book().faults() == []


def test_the_fill_plug_is_opened_before_the_drain_plug() -> None:
    # common practice, no source: otherwise a drained gearbox may not take new oil
    swapped = steps()
    swapped[1].number, swapped[2].number = 3, 2
    faults = Book().but(steps=swapped).faults()
    assert any("'open fill plug' must come before 'open drain plug'" in fault for fault in faults)


@pytest.mark.parametrize("kind", [kind for kind, _ in KINDS])
def test_no_step_of_the_family_may_be_missing(kind: str) -> None:
    left = [step for step in steps() if step.kind != kind]
    faults = Book().but(steps=left).faults()
    assert any(kind in fault for fault in faults)


@pytest.mark.parametrize(
    "slug",
    [
        *("raised-on-lift", "raised-on-stands", "raised-on-ramps", "over-a-pit"),
        *("key-out", "exhaust-gas", "hot-fluid", "used-fluid"),
    ],
)
def test_removing_a_required_caution_is_a_fault(slug: str) -> None:
    book = Book()
    left = [row for row in book.cautions if row.slug != slug]
    assert any(f"caution '{slug}'" in fault for fault in book.but(cautions=left).faults())


def test_a_caution_that_misses_its_steps_is_a_fault() -> None:
    book = Book()
    narrowed = [row for row in book.cautions if row.slug != "hot-fluid"]
    narrowed.append(caution("hot-fluid", step_kinds=["fill"]))
    assert any("hot-fluid" in fault for fault in book.but(cautions=narrowed).faults())


def test_an_electric_vehicle_needs_the_high_voltage_caution() -> None:
    book = Book().but(powertrain="electric")
    assert book.faults() == []
    left = [row for row in book.cautions if row.slug != "high-voltage"]
    assert any("high-voltage" in fault for fault in book.but(cautions=left).faults())
    assert Book().but(cautions=left).faults() == []


def test_every_plug_closed_gets_a_seal_of_its_own() -> None:
    book = Book()
    assert any("washer of fill plug" in fault for fault in book.but(materials=[
        book.materials[0]]).faults())  # fmt: skip
    book.fasteners[0].seal = "none"
    assert any("drain plug has no seal" in fault for fault in book.faults())


def test_a_washer_needs_its_size() -> None:
    book = Book()
    book.fasteners[0].seal_size = ""
    assert any("no size" in fault for fault in book.faults())


def test_a_plug_closed_needs_its_torque() -> None:
    book = Book()
    book.steps[5].fastener = ""
    assert any("name its fastener" in fault for fault in book.faults())
    book.steps[5].fastener = "nowhere"
    assert any("'nowhere' that is not there" in fault for fault in book.faults())


def test_wheels_off_ask_for_nut_torque_and_a_second_tightening() -> None:
    book = Book()
    book.procedure.wheels_removed = True
    faults = book.faults()
    assert any("wheel-nut torque" in fault for fault in faults)
    assert any("'refit'" in fault for fault in faults)


def test_a_drain_plug_is_reached_from_under_the_vehicle() -> None:
    # without the mark its cautions about a raised vehicle would not be asked for
    book = Book()
    book.steps[2].under_vehicle = False
    assert "step 3 (open drain plug) is done under the vehicle: mark it so" in book.faults()


def test_running_an_engine_is_marked_unless_there_is_none() -> None:
    book = Book()
    book.steps[8].engine_running = False
    assert "step 9 (run) runs the engine: mark it so" in book.faults()
    assert book.but(powertrain="electric").faults() == []


def test_a_firm_pedal_comes_before_the_brake_test() -> None:
    kinds = [str(kind) for kind in ORDER[Procedure.Family.BRAKE_FLUID]]
    assert kinds.index("firm pedal") < kinds.index("brake test")


def test_a_check_must_measure_or_look() -> None:
    book = Book().but(
        procedure=Procedure(family="check"), steps=[Step(number=1, kind="prepare", text="x")]
    )
    assert any("measures or looks" in fault for fault in book.faults())


def test_every_family_has_its_order() -> None:
    assert set(ORDER) == set(Procedure.Family)


def test_every_hazard_has_a_name_of_its_own() -> None:
    slugs = [hazard.slug for hazard in HAZARDS]
    assert len(slugs) == len(set(slugs))
