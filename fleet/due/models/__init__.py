"""Rows of the due dates: the schedule, the history, the dates, and how far to trust them.

calibration.py  BacktestResult, GuardFactor: how often dates came true
calls.py        DueEarlier, Deferral
checks.py       CheckFigure (pass, watch, fail), CheckResult
chosen.py       ChosenFluid
dates.py        DueDate, and the stamp of what it rests on
history.py      ServiceDone, Fill, TopUp
moves.py        DueMove
schedule.py     Service (early window) and Limit (figures, tolerance)
"""

from fleet.due.models.calibration import BacktestResult, GuardFactor
from fleet.due.models.calls import Deferral, DueEarlier
from fleet.due.models.checks import CheckFigure, CheckResult
from fleet.due.models.chosen import ChosenFluid
from fleet.due.models.dates import BindingLimit, DueDate, DueStamp
from fleet.due.models.history import Fill, ServiceDone, TopUp
from fleet.due.models.moves import DueMove
from fleet.due.models.schedule import Limit, Service

__all__ = [
    "BacktestResult",
    "BindingLimit",
    "CheckFigure",
    "CheckResult",
    "ChosenFluid",
    "Deferral",
    "DueDate",
    "DueEarlier",
    "DueMove",
    "DueStamp",
    "Fill",
    "GuardFactor",
    "Limit",
    "Service",
    "ServiceDone",
    "TopUp",
]
