"""How the vehicle stands at each step of a job: raised, running, moving, hot.

A job is walked from its first step as if nobody knew how the one before it left the vehicle: jobs
of one card are done in any order, and some not at all.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from fleet.workorders.models import Step

Kind = Step.Kind
MOVES = (Kind.DRIVE, Kind.BRAKE_TEST)
RUNS = (Kind.RUN, *MOVES)  # whether or not there is an engine that could be marked


@dataclass(frozen=True)
class Moment:
    """A step, and how the vehicle stands while it is done."""

    step: Step
    place: int = 0  # among the steps of the job, from 0
    raised: bool = False
    running: bool = False  # engine, or ready mode
    moving: bool = False
    hot: bool = False  # it runs, or ran and was not left to cool
    raisings: int = 0  # how often it went up so far
    runs: int = 0  # how often it was started so far


def raises(step: Step) -> bool:
    """Whether a step raises the vehicle or is done beneath it."""
    return step.kind == Kind.RAISE or step.under_vehicle


def walk(steps: Iterable[Step]) -> list[Moment]:
    """The moments of a job, in the order of its steps."""
    moments: list[Moment] = []
    before: Moment | None = None
    for place, step in enumerate(steps):
        before = _next(before or Moment(step), step, place)
        moments.append(before)
    return moments


def _next(before: Moment, step: Step, place: int) -> Moment:
    moving = step.kind in MOVES
    running = step.engine_running or step.kind in RUNS
    lowered = step.kind == Kind.LOWER or moving
    goes_up = not lowered and (
        step.kind == Kind.RAISE or (step.under_vehicle and not before.raised)
    )
    return Moment(
        step=step,
        place=place,
        raised=not lowered and (before.raised or goes_up),
        running=running,
        moving=moving,
        hot=running or (before.hot and step.kind != Kind.WAIT),
        raisings=before.raisings + goes_up,
        runs=before.runs + (running and not before.running),
    )
