"""Limits at which something is asked or refused, just inside and just outside of each."""

from dataclasses import replace
from datetime import timedelta
from io import BytesIO

import pytest
from PIL import Image

from fleet.faults import Fault, Question
from fleet.people.actor import Actor
from fleet.workorders import fluids, photos, progress
from fleet.workorders.fluids import Pouring, _taken
from fleet.workorders.models import FluidRecord, Job, Procedure, TorqueRecord, Wrench
from fleet.workorders.recording import Doubt, again, check_litres, doubts_kept
from fleet.workorders.torques import _as_typed, _just_so
from tests.scene import NOW
from tests.workorders.conftest import DRAIN_PLUG_NM, Bay


def later(bay: Bay, **time: float) -> Actor:
    return replace(bay.actor(bay.mechanic), now=NOW + timedelta(**time))


# --- quantities --------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("litres", "taken"),
    [(0.0005, False), (0.0006, True), (9_999.9, True), (10_000.0, False), (-1.0, False)],
)
def test_litres_are_more_than_half_a_millilitre_and_less_than_ten_thousand(
    litres: float, taken: bool
) -> None:
    if taken:
        check_litres(litres)
    else:
        with pytest.raises(Fault) as refused:
            check_litres(litres)
        assert refused.value.about == "litres"


@pytest.mark.parametrize(
    ("minutes", "taken"), [(-1, False), (0, True), (6_000, True), (6_001, False)]
)
def test_minutes_spent_are_none_up_to_a_hundred_hours(
    bay: Bay, job: Job, minutes: int, taken: bool
) -> None:
    said = {"state": "not done", "reason": "other", "spent_min": minutes}
    if taken:
        assert progress.end_job(bay.actor(), job.pk, **said).spent_min == minutes
    else:
        with pytest.raises(Fault) as refused:
            progress.end_job(bay.actor(), job.pk, **said)
        assert refused.value.about == "spent_min"


@pytest.mark.parametrize(("litres", "quantity"), [(None, " "), (1.0, "1 L")])
def test_a_quantity_is_given_once(bay: Bay, litres: float | None, quantity: str) -> None:
    given = Pouring(way="filled", client_key="a-key-0001", litres=litres, quantity=quantity)
    with pytest.raises(Fault, match="either as litres or as text"):
        _taken(bay.actor(), 1, given)
    with pytest.raises(Fault, match="no job 0"):
        _taken(bay.actor(), 0, replace(given, litres=None, quantity="1 L"))


# --- the same once more ------------------------------------------------------------------------
@pytest.mark.parametrize(("minutes", "asked"), [(0, True), (3, True), (3.1, False), (60, False)])
def test_the_same_quantity_is_asked_about_within_three_minutes(
    bay: Bay, job: Job, minutes: float, asked: bool
) -> None:
    can = Pouring(way="filled", client_key="first-can", litres=0.5)
    fluids.fluid(later(bay), job.pk, can)
    again_at, second = later(bay, minutes=minutes), replace(can, client_key="second-can")
    if asked:
        with pytest.raises(Question, match="Once more"):
            fluids.fluid(again_at, job.pk, second)
    else:
        fluids.fluid(again_at, job.pk, second)
    assert FluidRecord.objects.count() == 2 - asked


@pytest.mark.parametrize(
    ("hours", "told"),
    [(23.9, "Recorded at 09:00 already"), (24, "Recorded at 09:00 on 2026-06-15")],
)
def test_a_record_of_another_day_is_told_with_its_day(
    bay: Bay, job: Job, hours: float, told: str
) -> None:
    fluids.fluid(later(bay), job.pk, Pouring(way="filled", client_key="first-can", litres=0.5))
    at, rows = later(bay, hours=hours), FluidRecord.objects.all()
    (doubt,) = again(at, rows, "UTC", "another-key")
    assert doubt.text.startswith(told)
    assert doubt.yes == "it was done once more"
    assert again(at, rows, "UTC", "first-can") == []  # the same one, sent twice
    assert again(replace(at, person=bay.supervisor), rows, "UTC", "another-key") == []
    assert again(replace(at, person=None), rows, "UTC", "another-key") == []


@pytest.mark.parametrize(
    ("off_nm", "same"), [(0, True), (0.049, True), (-0.049, True), (0.06, False)]
)
def test_a_torque_is_the_same_to_what_is_shown(
    bay: Bay, job: Job, off_nm: float, same: bool
) -> None:
    made = {"fastener": "drain-plug", "fastener_name": "Drain plug", "point": "", "wrench": None}
    TorqueRecord.objects.create(
        **made,
        job=job,
        client_key="a-torque-1",
        channel="test",
        performed_at=NOW,
        torque_nm=40.0 + off_nm,
        reference_nm=DRAIN_PLUG_NM,
        to_the_figure=False,
    )
    assert _just_so(job, {**made, "torque_nm": 40.0}).exists() is same


@pytest.mark.parametrize(
    ("text", "taken_nm", "kept"),
    [
        ("29 lbf·ft", None, ""),  # to the figure
        (" ", 39.3, ""),
        ("29 lbf·ft", 39.319, "29 lbf·ft"),  # 1 lbf·ft is 1.355818 N·m (NIST SP 811): 39.3187
        ("29 lbf·ft", 39.3187 + 0.049, "29 lbf·ft"),
        ("29 lbf·ft", 39.3187 - 0.049, "29 lbf·ft"),
    ],
)
def test_what_was_typed_is_kept_where_it_says_what_was_taken(
    text: str, taken_nm: float | None, kept: str
) -> None:
    assert _as_typed(text, taken_nm) == kept
    for off_nm in (0.051, -0.051):
        with pytest.raises(Fault):
            _as_typed("29 lbf·ft", 39.3187 + off_nm)


# --- what is asked -----------------------------------------------------------------------------
def test_several_doubts_are_one_question_and_one_answer() -> None:
    first, second = Doubt("One?", yes="it is one"), Doubt("Two?", ("2: two",), "value", "it is two")
    assert doubts_kept([], "why") == {"question": "", "override_reason": ""}
    with pytest.raises(Question) as asked:
        doubts_kept([first, second], " ")
    assert str(asked.value) == "One? Two?"
    assert (asked.value.candidates, asked.value.about) == (("2: two",), "value")
    assert asked.value.yes == "it is one; it is two"
    with pytest.raises(Question) as asked:
        doubts_kept([first, replace(second, yes="", candidates=())], "")
    assert (asked.value.yes, asked.value.about) == ("", "")
    kept = doubts_kept([replace(first, text="q" * 400)], f" {'r' * 400} ")
    assert {name: len(text) for name, text in kept.items()} == {
        "question": 300,
        "override_reason": 300,
    }


@pytest.mark.parametrize(
    ("drained_l", "litres", "told"),
    [
        (0, 2.26, "2.26 L came out"),  # 1.5 L and half as much again are 2.25 L
        (0, 2.25, ""),
        (1.0, 1.3, "1.3 L, 2.3 L in all came out"),
        (1.0, 1.25, ""),
    ],
)
def test_more_than_half_above_what_fits_is_asked_about_when_it_came_out(
    bay: Bay, job: Job, drained_l: float, litres: float, told: str
) -> None:
    Procedure.objects.update(refill_l=1.5)
    if drained_l:
        fluids.fluid(
            later(bay), job.pk, Pouring(way="drained", client_key="first-out", litres=drained_l)
        )
    out = Pouring(way="drained", client_key="then-out", litres=litres)
    if not told:
        assert fluids.fluid(later(bay, minutes=9), job.pk, out).record.quantity_ml == litres * 1000
        return
    with pytest.raises(Question) as asked:
        fluids.fluid(later(bay, minutes=9), job.pk, out)
    known = ", but the gearbox holds 1.5 L as far as is known. Is that right?"
    assert str(asked.value) == told + known


# --- photos ------------------------------------------------------------------------------------
def image(width: int, height: int) -> bytes:
    made = BytesIO()
    Image.new("RGB", (width, height), "teal").save(made, "PNG")
    return made.getvalue()


def test_a_photo_has_no_more_bytes_and_points_than_can_be_meant(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert (photos.MOST_BYTES, photos.MOST_PIXELS) == (15_728_640, 60_000_000)  # 15 MB
    data = image(40, 30)
    monkeypatch.setattr(photos, "MOST_BYTES", len(data))
    monkeypatch.setattr(photos, "MOST_PIXELS", 1_200)
    assert photos.decoded(data).size == (40, 30)
    monkeypatch.setattr(photos, "MOST_PIXELS", 1_199)
    with pytest.raises(Fault, match="too many pixels"):
        photos.decoded(data)
    monkeypatch.setattr(photos, "MOST_BYTES", len(data) - 1)
    with pytest.raises(Fault, match="more than 0 MB"):
        photos.decoded(data)


@pytest.mark.parametrize(
    ("given", "kept"),
    [((2_048, 10), (2_048, 10)), ((2_050, 1_025), (2_048, 1_024)), ((10, 4_096), (5, 2_048))],
)
def test_the_longer_side_of_a_photo_has_2048_points_at_most(
    given: tuple[int, int], kept: tuple[int, int]
) -> None:
    assert photos.decoded(image(*given)).size == kept


# --- wrenches ----------------------------------------------------------------------------------
@pytest.mark.parametrize(("days", "valid"), [(-1, True), (0, True), (1, False)])
def test_a_calibration_holds_on_its_last_day(days: int, valid: bool) -> None:
    wrench = Wrench(tag="TW-3", calibrated_until_on=NOW.date())
    assert wrench.valid_on(NOW.date() + timedelta(days=days)) is valid
