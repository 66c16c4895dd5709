"""Which steps of a card are recorded as done: where the printed card may put a mark.

That a job is done says nothing of its single steps. A step is marked by what stands recorded of
it: its torque, its litres, its level, its values, or a word that it is as it should be.
"""

from collections.abc import Sequence

from fleet.due.models import CheckResult
from fleet.workorders.cardsteps import CardStep
from fleet.workorders.gaps import OPENS
from fleet.workorders.jobcard import CardJob
from fleet.workorders.models import ConfirmRecord, FluidRecord, Step, TorqueRecord
from fleet.workorders.models.records import Record

Kind, Way = Step.Kind, FluidRecord.Way
BY_LITRES: dict[str, str] = {
    Kind.DRAIN: Way.OUT,
    Kind.SUCTION: Way.OUT,
    Kind.FILL: Way.IN,
    Kind.READ_LEVEL: Way.TOP_UP,
}


def ticked(job: CardJob, records: Sequence[Record], values: Sequence[CheckResult]) -> set[int]:
    """Numbers of the steps of a job that are recorded as done.

    Parameters
    ----------
    records, values
        Of the whole order; what was taken back counts as never recorded.
    """
    own = [row for row in records if row.withdrawn_by_id is None]
    poured = {row.way for row in own if isinstance(row, FluidRecord) and row.job_id == job.id}
    words = [row for row in own if isinstance(row, ConfirmRecord) and row.job_id == job.id]
    torques = [row for row in own if isinstance(row, TorqueRecord) and row.job_id == job.id]
    measured = {
        row.figure.slug
        for row in values
        if row.withdrawn_by_id is None and row.figure.service.slug == job.service
    }
    wanted = {figure.slug for figure in job.figures}
    last_read = max((one.number for one in job.steps if one.kind == Kind.READ_LEVEL), default=0)
    return {
        step.number
        for step in job.steps
        if _confirmed(step, words, torques)
        or (step.kind == Kind.MEASURE and wanted and wanted <= measured)
        or (
            BY_LITRES.get(step.kind) in poured
            # what was topped up tells of the last reading: that is the one which stands
            and (step.kind != Kind.READ_LEVEL or step.number == last_read)
        )
    }


def _confirmed(
    step: CardStep, words: Sequence[ConfirmRecord], torques: Sequence[TorqueRecord]
) -> bool:
    """Whether the newest record of each point says that it is as it should be; a fastener that
    the step closes is confirmed by its torque, too."""
    closes = step.fastener.slug if step.fastener and step.kind not in OPENS else None
    made = [(row.performed_at, row.point, row.seen) for row in words if row.step == step.number]
    made += [(row.performed_at, row.point, True) for row in torques if row.fastener == closes]
    newest = {point: seen for _, point, seen in sorted(made, key=lambda one: one[0])}
    return bool(newest) and all(newest.get(point) for point in step.points or newest)
