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
