"""What can be wrong with a procedure."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Wrong:
    """One thing that is wrong with a procedure, and which row of it must be looked at."""

    text: str
    step: int | None = None  # its number
    fastener: str = ""  # its slug
    caution: str = ""  # slug of the caution that is missing before the step, or contradicts it
    column: str = "seal"  # of the fastener
