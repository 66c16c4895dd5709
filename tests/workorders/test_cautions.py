"""Every hazard: its caution cannot be deleted, moved behind its hazard, shown once where the
hazard returns, or stand before a step that makes it impossible.

Rules of safe work: design section 7 (common practice, no source; HSE motor vehicle repair for
raised vehicles and exhaust gas; 29 CFR 1910.244(a) for jacks and stands).
"""

from collections.abc import Callable

import pytest

from fleet.workorders.cautions import Occasion, shown
from fleet.workorders.hazards import HAZARDS
from fleet.workorders.models import Caution, Step
from fleet.workorders.walk import walk
from tests.workorders.gearbox_procedure import ProcedureRows, caution
from tests.workorders.gearbox_procedure import cautions as all_cautions
from tests.workorders.sound_procedures import laid_out, sound_procedures

SLUGS = [hazard.slug for hazard in HAZARDS]
COMES_BACK = [hazard.slug for hazard in HAZARDS if hazard.begins != Caution.Returns.JOB]


def blamed(slug: str, spoil: Callable[[Caution], Caution | None]) -> list[str]:
    """Faults of all books about one caution, after it was spoilt."""
    found = []
    for written in sound_procedures().values():
        rows = [spoil(row) if row.slug == slug else row for row in written.cautions]
        left = [row for row in rows if row is not None]
        found += [text for text in written.but(cautions=left).faults() if f"'{slug}'" in text]
    return found


@pytest.mark.parametrize("name", list(sound_procedures()))
def test_the_books_themselves_are_sound(name: str) -> None:
    assert sound_procedures()[name].faults() == []


@pytest.mark.parametrize("slug", SLUGS)
def test_a_caution_that_is_deleted_is_missed(slug: str) -> None:
    faults = blamed(slug, lambda row: None)
    assert faults
    assert all("does not stand before step" in text for text in faults)


@pytest.mark.parametrize("slug", SLUGS)
def test_a_caution_moved_behind_its_hazard_is_missed(slug: str) -> None:
    def to_the_end(row: Caution) -> Caution:
        return caution(row.slug, step_kinds=["clean up"], demands=row.demands)

    assert blamed(slug, to_the_end)


@pytest.mark.parametrize("slug", COMES_BACK)
def test_a_caution_shown_once_is_missed_where_its_hazard_returns(slug: str) -> None:
    def once(row: Caution) -> Caution:
        row.returns = Caution.Returns.JOB
        return row

    assert blamed(slug, once)


@pytest.mark.parametrize("slug", [one.slug for one in HAZARDS if one.demands])
def test_a_caution_must_say_what_it_demands(slug: str) -> None:
    def silent(row: Caution) -> Caution:
        row.demands = []
        return row

    assert any("must say that it demands" in text for text in blamed(slug, silent))


# --- where a caution comes, and comes again ---------------------------------------------------
def places(slug: str, *lines: tuple[str, str], raising: str = "lift") -> list[int]:
    """The steps before which a caution is shown, counted from 1."""
    occasion = Occasion("engine oil", "diesel", raising, "cooling", "used oil")
    found = shown(all_cautions(), occasion, walk(laid_out(lines)))
    return [at for at, new in enumerate(found, 1) if slug in {row.slug for row in new}]


def test_a_vehicle_raised_again_is_warned_of_again() -> None:
    twice = (("raise", ""), ("drain", "u"), ("fill", "u"), ("lower", ""), ("raise", ""))
    assert places("raised-on-lift", *twice, ("leak check", "u")) == [1, 5]
    assert places("key-out", *twice, ("leak check", "u"), ("refit", "u")) == [2, 6]


def test_over_a_pit_that_needs_no_raising_the_first_step_beneath_is_warned_of() -> None:
    steps = (("prepare", ""), ("drain", "u"), ("fill", "u"))
    assert places("over-a-pit", *steps, raising="pit") == [2]


def test_a_vehicle_driven_off_was_lowered() -> None:
    steps = (("drain", "u"), ("drive", ""), ("leak check", "u"))
    assert places("raised-on-lift", *steps) == [1, 3]


def test_an_engine_that_runs_again_is_warned_of_again() -> None:
    steps = (("run", "e"), ("measure", "e"), ("wait", ""), ("run", "e"))
    assert places("exhaust-gas", *steps) == [1, 4]


def test_a_cap_is_for_a_cold_system_again_after_each_run() -> None:
    steps = (("open cap", ""), ("fill", ""), ("bleed", ""), ("run", "e"), ("wait", ""))
    assert places("coolant-only-cold", *steps, ("read level", ""), ("measure", "")) == [1, 6]


def test_who_comes_back_beneath_what_has_run_is_warned_of_key_and_exhaust() -> None:
    steps = (("raise", ""), ("fill", "u"), ("run", "ue"), ("close fill plug", "u"))
    assert places("key-out", *steps) == [2, 4]
    assert places("hot-exhaust", *steps) == [2, 3]
    assert places("running-above-you", *steps) == [3]


def test_a_caution_without_any_mark_comes_once() -> None:
    occasion = Occasion("level plug", "electric", "lift")
    found = shown([caution("high-voltage")], occasion, walk(laid_out((("raise", ""),) * 3)))
    assert [len(new) for new in found] == [1, 0, 0]


def test_a_caution_of_salted_roads_is_for_depots_that_have_them() -> None:
    drain = (("open drain plug", "u"),)
    assert places("plug-may-be-seized", *drain) == []


def test_used_oil_on_the_skin_is_for_where_oil_comes_out() -> None:
    for used, wanted in (("Used Oil", 1), ("used coolant", 0), ("", 0)):
        occasion = Occasion("other", "diesel", "lift", used_fluid=used)
        (new,) = shown(all_cautions(), occasion, walk(laid_out((("drain", ""),))))
        assert len([row for row in new if row.slug == "used-oil"]) == wanted


def test_a_check_on_the_cooling_system_carries_its_cautions() -> None:
    occasion = Occasion("check", "diesel", "on the ground", "cooling")
    (new,) = shown(all_cautions(), occasion, walk(laid_out((("open cap", ""),))))
    assert "coolant-only-cold" in {row.slug for row in new}


# --- cautions and steps that contradict each other --------------------------------------------
def with_step(written: ProcedureRows, at: int, kind: str, **marks: bool) -> ProcedureRows:
    """The book with a step put in before another, counted from 1."""
    steps = [
        *written.steps[: at - 1],
        Step(kind=kind, text=kind, **marks),
        *written.steps[at - 1 :],
    ]
    for number, step in enumerate(steps, 1):
        step.number = number
    return written.but(steps=steps)


def contradictions(written: ProcedureRows) -> list[str]:
    return [text for text in written.faults() if "contradicts" in text]


def test_handbrake_on_never_stands_above_driving() -> None:
    written = sound_procedures()["level plug"]
    written.cautions.append(caution("handbrake", step_kinds=["drive"], demands=["standing"]))
    assert contradictions(written)[0] == (
        "step 1 (drive) contradicts the caution 'handbrake', which demands 'standing': "
        "correct the step, or narrow the caution"
    )


@pytest.mark.parametrize("demand", ["key out", "engine off"])
def test_key_out_never_stands_above_a_level_read_with_the_engine_running(demand: str) -> None:
    written = sound_procedures()["at temperature"]
    written.cautions.append(caution("out", under_vehicle=True, demands=[demand]))
    assert [text[:19] for text in contradictions(written)][:2] == [
        "step 6 (run) contra",
        "step 7 (read level)",
    ]


def test_a_cap_is_not_opened_on_a_system_that_just_ran() -> None:
    written = sound_procedures()["coolant"]
    (wait,) = [step for step in written.steps if step.kind == "wait"]
    wait.kind = "inspect"
    assert any("(open cap) contradicts the caution 'coolant-only-cold'" in text
               for text in contradictions(written))  # fmt: skip


def test_what_is_only_said_while_the_engine_is_off_contradicts_nothing() -> None:
    written = sound_procedures()["at temperature"]
    written.cautions.append(
        caution("out", under_vehicle=True, only_while=["engine off"], demands=["key out"])
    )
    assert written.faults() == []
