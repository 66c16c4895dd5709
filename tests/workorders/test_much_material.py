"""Far more of a material than a job is to take is asked about."""

from typing import Any

import pytest

from fleet.faults import Fault, Question
from fleet.workorders import recording
from fleet.workorders.models import Job, Material, MaterialUsed
from tests.scene import INVENTED
from tests.workorders.conftest import Bay


def washers(job: Job, pieces: int | None, quantity_ml: int | None = None) -> None:
    """What the procedure of the job foresees."""
    assert job.service is not None
    Material.objects.create(
        procedure=job.service.procedure, kind="part" if pieces else "fluid", name="Sealing washer",
        pieces=pieces, quantity_ml=quantity_ml, source=INVENTED,
    )  # fmt: skip


def took(bay: Bay, job: Job, key: str = "washers-1", **given: Any) -> MaterialUsed:
    actor = bay.actor(bay.mechanic)
    return recording.material(actor, job.pk, **{"name": "sealing  Washer", **given}, client_key=key)


@pytest.mark.parametrize(("foreseen", "pieces"), [(2, 10), (4, 20), (None, 10)])
def test_what_a_job_may_well_take_is_kept(
    bay: Bay, job: Job, foreseen: int | None, pieces: int
) -> None:
    if foreseen:
        washers(job, foreseen)
    row = took(bay, job, pieces=pieces)
    assert (row.question, row.override_reason) == ("", "")


@pytest.mark.parametrize(
    ("foreseen", "pieces", "said", "meant"),
    [
        # by hand: five times four pieces are twenty, and a tenth of forty is the four foreseen
        (4, 40, "40 pieces of sealing  Washer, where the job is to take 4 pieces. Was it so much?",
         ("4: 4 pieces",)),
        (4, 21, "21 pieces of sealing  Washer, where the job is to take 4 pieces. Was it so much?",
         ()),
        (None, 11, "11 pieces of sealing  Washer, for one job. Was it so much?", ()),
    ],
)  # fmt: skip
def test_far_more_than_the_job_is_to_take_is_asked_about(
    bay: Bay, job: Job, foreseen: int | None, pieces: int, said: str, meant: tuple[str, ...]
) -> None:
    if foreseen:
        washers(job, foreseen)
    with pytest.raises(Question) as asked:
        took(bay, job, pieces=pieces)
    assert (str(asked.value), tuple(asked.value.candidates)) == (said, meant)
    assert asked.value.about == "pieces"
    assert not MaterialUsed.objects.exists()
    row = took(bay, job, pieces=pieces, override_reason="all were stripped")
    assert (row.pieces, row.question, row.override_reason) == (pieces, said, "all were stripped")


def test_litres_of_another_order_are_asked_about_in_litres(bay: Bay, job: Job) -> None:
    washers(job, None, quantity_ml=350)
    with pytest.raises(Question, match="350 L of .*, where the job is to take 0.35 L") as asked:
        took(bay, job, litres=350)
    assert asked.value.about == "litres"
    # by hand: a thousandth is the 350 mL foreseen, and a hundredth is not too much either
    assert asked.value.candidates == ("0.35: 0.35 L", "3.5: 3.5 L")
    assert took(bay, job, litres=5).quantity_ml == 5_000


@pytest.mark.parametrize("pieces", [0, -1, 10_001])
def test_a_number_of_pieces_is_one_that_can_be_kept(bay: Bay, job: Job, pieces: int) -> None:
    with pytest.raises(Fault, match="from 1 to 10,000"):
        took(bay, job, pieces=pieces, override_reason="x")
