"""What followed from the same rows is kept, and nothing follows from rows that were other."""

from collections.abc import Callable, Iterator
from itertools import count
from typing import Any

import pytest

from fleet.due.models import CheckFigure
from fleet.vehicles.models import Compartment, Depot, VehicleType
from fleet.workorders import book, jobcard
from fleet.workorders.book import Kept
from fleet.workorders.jobcard import Card
from fleet.workorders.models import Caution, Fastener, Job, Material, Procedure, Step, WorkOrder
from tests.kept import kept
from tests.scene import INVENTED
from tests.workorders.conftest import Bay
from tests.workorders.gearbox_procedure import ProcedureRows


@kept
def order(bay: Bay) -> WorkOrder:
    written = ProcedureRows()
    procedure = Procedure.objects.create(
        service=bay.oil, family="level plug", edition="2024", source=INVENTED, minutes=40
    )
    parts: list[Any] = [*written.steps, *written.fasteners, *written.materials]
    for row in parts:
        row.procedure = procedure
        row.save()
    for caution in written.cautions:
        caution.save()
    last = procedure.steps.last()
    assert last is not None
    last.figure, last.points = "level", ["each wheel"]
    last.save()
    CheckFigure.objects.create(service=bay.oil, slug="level", name="Level", unit="mm")
    return bay.order()


@pytest.fixture(autouse=True)
def nothing_kept() -> Iterator[None]:
    book._kept.found.clear()
    yield
    book._kept.found.clear()


def shown(order: WorkOrder) -> Card:
    return jobcard.card(order.pk, [order.depot])


CHANGES: dict[str, Callable[[], Any]] = {
    "a step": lambda: Step.objects.filter(number=1).update(text="Look twice."),
    "a step less": lambda: Step.objects.filter(number=1).delete(),
    "where a record is made": lambda: Step.objects.filter(number=1).update(points=["left"]),
    "the edition": lambda: Procedure.objects.update(edition="2025"),
    "what comes out": lambda: Procedure.objects.update(used_fluid_class="used oil"),
    "a fastener": lambda: Fastener.objects.update(torque_nm=50.0),
    "a seal less": lambda: Material.objects.filter(kind="seal").delete(),
    "a caution": lambda: Caution.objects.update(text="Mind it."),
    "a caution less": lambda: Caution.objects.filter(slug="hot-fluid").delete(),
    "a figure": lambda: CheckFigure.objects.update(unit="cm"),
    "the compartment": lambda: Compartment.objects.update(kind="cooling"),
    "what drives it": lambda: VehicleType.objects.update(powertrain="electric"),
    "its wheels": lambda: VehicleType.objects.update(wheel_positions=["front", "rear"]),
    "the roads": lambda: Depot.objects.update(salted_roads=True),
    "how it is raised": lambda: WorkOrder.objects.update(raising="pit"),
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES)
def test_a_card_says_what_the_rows_say_now(order: WorkOrder, change: Callable[[], Any]) -> None:
    before = shown(order)
    change()
    after = shown(order)
    book._kept.found.clear()
    assert before != after == shown(order)


def test_what_a_procedure_lacks_follows_what_drives_the_vehicle(order: WorkOrder) -> None:
    def lacking() -> tuple[str, ...]:
        (job,) = shown(order).jobs
        return job.unsound

    Caution.objects.filter(slug="high-voltage").delete()
    before = lacking()
    VehicleType.objects.update(powertrain="electric")
    assert before != lacking()


def test_cards_of_the_same_rows_share_their_steps(bay: Bay, order: WorkOrder) -> None:
    steps = shown(order).jobs[0].steps
    assert steps
    assert shown(order).jobs[0].steps is steps
    Job.objects.update(title="Gearbox")
    assert shown(order).jobs[0].steps is steps


def test_what_was_used_least_lately_goes_first() -> None:
    made, few = count(), Kept(2)
    assert [few.of((key,), lambda: next(made)) for key in "abacab"] == [0, 1, 0, 2, 0, 3]
