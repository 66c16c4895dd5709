"""Torques as a form sends them: in the unit that its labels said, or in one written behind.

Each form carries the unit that it showed: whoever chooses another between loading and sending it,
or lets a phone send it later, still has what they typed.
"""

from collections.abc import Callable

from fleet.dashboard.shown_units import torque
from fleet.faults import Fault
from fleet.people.models import TorqueUnit
from fleet.units import UnitError, torque_nm
from fleet.workorders.quantities import decimal_mark

UNIT_FIELD = "torque_unit"  # hidden, beside the fields for torques


def shown_unit(text: Callable[[str], str]) -> str:
    """The unit that a form showed; one that a phone has kept from before says none: N·m."""
    unit = text(UNIT_FIELD) or TorqueUnit.NEWTON_METRES
    if unit not in TorqueUnit.values:
        raise Fault("Load the card again: this form is not complete.")
    return unit


def with_unit(typed: str, shown: str) -> str:
    """A torque as it was typed, with the unit that it was typed in."""
    return typed if any(sign.isalpha() for sign in typed) else f"{typed} {shown}"


def in_nm(typed: str, about: str = "torque_nm") -> float:
    """A torque [N·m] of text that has its unit.

    Raises
    ------
    Fault
        It is no torque, or its unit is none of torque.
    """
    try:
        return torque_nm(typed, decimal_mark=decimal_mark(typed))
    except UnitError as error:
        raise Fault(str(error), about=about) from error


def one_tap(candidate: str) -> tuple[str, str]:
    """What else may have been meant, '39.32: lbf·ft instead of N·m' (in N·m): what its button
    sends, and what stands on it for whoever looks."""
    value_nm, _, why = candidate.partition(":")
    return f"{value_nm} N·m", f"{torque(float(value_nm))}:{why}"
