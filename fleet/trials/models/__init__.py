"""Rows of field trials: what is set up, what was felt and measured, what came out.

outcome.py  TrialResult, LongerInterval
records.py  Rating (1 to 5), LabProperty, LabSample
set_up.py   Trial, TrialGroup, TrialVehicle, Unblinded, ExcludedPeriod, TrialEvent
"""

from fleet.trials.models.outcome import LongerInterval, TrialResult
from fleet.trials.models.records import LabProperty, LabSample, Rating, TrialRecord
from fleet.trials.models.set_up import (
    ExcludedPeriod,
    Trial,
    TrialEvent,
    TrialGroup,
    TrialVehicle,
    Unblinded,
)

__all__ = [
    "ExcludedPeriod",
    "LabProperty",
    "LabSample",
    "LongerInterval",
    "Rating",
    "Trial",
    "TrialEvent",
    "TrialGroup",
    "TrialRecord",
    "TrialResult",
    "TrialVehicle",
    "Unblinded",
]
