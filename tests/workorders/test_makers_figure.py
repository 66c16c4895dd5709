"""Jobs without a procedure take torque and fluid records: the fastener in words, with the figure
of the maker's book, and the compartment they turn out to be on."""

import pytest

from fleet.faults import Fault, Question
from fleet.units import torque_nm
from fleet.workorders import issue, progress
from fleet.workorders.fluids import Pouring, fluid
from fleet.workorders.issue import OrderDraft
from fleet.workorders.makers_figure import MakersFigure
from fleet.workorders.models import Job, OrderEvent, Procedure, TorqueRecord
from fleet.workorders.torques import Tightened, torque
from tests.kept import kept
from tests.scene import INVENTED
from tests.workorders.conftest import Bay

BOOK = "maker's book, edition 3 (invented)"
# lbf·ft to N·m: exact, 0.3048 m times 4.4482216152605 N; 29 of them are 39.31872
PLUG = MakersFigure("Cover  plug", 39.31872, BOOK, stated_unit="lbf·ft")


@kept
def job(bay: Bay) -> Job:
    order = issue.draft(
        bay.actor(), OrderDraft(vehicle_id=bay.van.pk, other_work=[("Refit the cover", 20)])
    )
    progress.release(bay.actor(), order.pk)
    progress.start(bay.actor(), order.pk)
    return order.jobs.get()


def tighten(
    bay: Bay, job: Job, figure: MakersFigure, given_nm: float | None, why: str = ""
) -> TorqueRecord:
    return torque(
        bay.actor(),
        job.pk,
        Tightened(
            fastener="",
            from_maker=figure,
            client_key="phone-1-torque",
            torque_nm=given_nm,
            override_reason=why,
        ),
    )


def test_a_fastener_in_words_is_kept_with_its_figure_and_book(bay: Bay, job: Job) -> None:
    record = tighten(bay, job, PLUG, 39.0)
    assert (record.fastener, record.fastener_name) == ("cover-plug", "Cover plug")
    assert (record.reference_nm, record.torque_nm) == (39.31872, 39.0)
    assert record.figure_source == BOOK
    assert tighten(bay, job, PLUG, 39.0).pk == record.pk  # sent twice it is there once


def test_a_range_whose_ends_are_alike_is_a_figure(bay: Bay, job: Job) -> None:
    figure = MakersFigure("Cover plug", 40.0, BOOK, torque_max_nm=40.0)
    assert tighten(bay, job, figure, 40.0).reference_nm == 40.0


def test_a_slip_of_units_is_asked_about_as_with_a_procedure(bay: Bay, job: Job) -> None:
    with pytest.raises(Question) as asked:
        tighten(bay, job, PLUG, 29.0)
    assert "lbf·ft instead of N·m" in asked.value.candidates[0]
    assert tighten(bay, job, PLUG, 29.0, "bulletin 7").override_reason == "bulletin 7"


def test_a_value_inside_the_range_of_the_book_is_not_asked_about(bay: Bay, job: Job) -> None:
    assert tighten(bay, job, MakersFigure("plug", 55, BOOK, 65), 64).question == ""


@pytest.mark.parametrize(
    ("figure", "about"),
    [
        (MakersFigure(" ", 30, BOOK), "name"),
        (MakersFigure("plug", 30, " "), "figure_source"),
        (MakersFigure("plug", 0, BOOK), "figure_nm"),
        (MakersFigure("plug", 30, BOOK, 20), "figure_nm"),
        (MakersFigure("plug", 20_001, BOOK), "figure_nm"),
    ],
)
def test_a_fastener_in_words_needs_name_figure_and_book(
    bay: Bay, job: Job, figure: MakersFigure, about: str
) -> None:
    with pytest.raises(Fault) as refused:
        tighten(bay, job, figure, None)
    assert refused.value.about == about


def test_where_a_procedure_has_fasteners_none_is_made_up(bay: Bay) -> None:
    Procedure.objects.create(
        service=bay.oil, family="other", edition="1", source=INVENTED, minutes=30
    )
    order = bay.order()
    progress.release(bay.actor(), order.pk)
    progress.start(bay.actor(), order.pk)
    with pytest.raises(Fault, match="choose one of its fasteners"):
        tighten(bay, order.jobs.get(), PLUG, None)


def test_a_job_without_a_compartment_gains_the_one_its_fluid_is_of(bay: Bay, job: Job) -> None:
    with pytest.raises(Fault, match="Say which compartment"):
        fluid(bay.actor(), job.pk, Pouring(way="drained", litres=0.2, client_key="phone-1-out"))
    place = bay.oil.compartment
    fluid(
        bay.actor(),
        job.pk,
        Pouring(way="drained", litres=0.2, compartment=place, client_key="phone-1-out"),
    )
    job.refresh_from_db()
    assert job.place == place
    assert OrderEvent.objects.get(job=job, what="name compartment").reason == place.slug
    later = fluid(bay.actor(), job.pk, Pouring(way="drained", litres=0.1, client_key="phone-2-out"))
    assert later.record.compartment == place


def test_the_compartment_of_a_service_is_not_changed(bay: Bay) -> None:
    order = bay.order()
    progress.release(bay.actor(), order.pk)
    progress.start(bay.actor(), order.pk)
    fluid(
        bay.actor(),
        order.jobs.get().pk,
        Pouring(
            way="drained", litres=0.2, client_key="phone-1-out", compartment=bay.oil.compartment
        ),
    )
    assert not OrderEvent.objects.filter(what="name compartment").exists()
    assert order.jobs.get().compartment is None


def test_lbf_ft_are_what_they_are() -> None:
    assert torque_nm("29 lbf·ft") == pytest.approx(39.31872, abs=5e-6)
