"""What both products cost per 1,000 km, and from which interval the dearer one pays."""

from dataclasses import dataclass

from fleet.calc.trial_economics import Change, break_even_km, per_1000_km
from fleet.trials.models import Trial, TrialGroup


@dataclass(frozen=True)
class Costs:
    """Costs of both products [minor units] and the intervals they are spread over."""

    usual_minor: float  # one whole change
    tried_minor: float
    usual_fluid_minor: float  # its fluid alone
    tried_fluid_minor: float
    usual_interval_km: float
    usual_per_1000_km: float
    tried_per_1000_km: float  # at the usual interval
    proposed_interval_km: float | None
    tried_per_1000_km_proposed: float | None
    break_even_km: float | None  # labour, materials and visit included; None: nothing costs
    break_even_fluid_only_km: float | None


def of_trial(trial: Trial, groups: dict[str, TrialGroup]) -> Costs:
    """Costs of a trial's two products, at the prices it was set up with."""
    usual, tried = (_change(trial, groups[side]) for side in ("usual", "tried"))
    longer_km = trial.proposed_interval_km
    return Costs(
        usual_minor=usual.whole_minor,
        tried_minor=tried.whole_minor,
        usual_fluid_minor=usual.fluid_minor,
        tried_fluid_minor=tried.fluid_minor,
        usual_interval_km=trial.interval_km,
        usual_per_1000_km=per_1000_km(usual.whole_minor, trial.interval_km),
        tried_per_1000_km=per_1000_km(tried.whole_minor, trial.interval_km),
        proposed_interval_km=longer_km,
        tried_per_1000_km_proposed=per_1000_km(tried.whole_minor, longer_km) if longer_km else None,
        break_even_km=_even(usual.whole_minor, trial.interval_km, tried.whole_minor),
        break_even_fluid_only_km=_even(usual.fluid_minor, trial.interval_km, tried.fluid_minor),
    )


def _change(trial: Trial, group: TrialGroup) -> Change:
    return Change(
        quantity_ml=trial.quantity_ml,
        price_minor_per_l=group.price_minor_per_l,
        labour_minor=trial.labour_minor,
        materials_minor=trial.materials_minor,
        visit_minor=trial.visit_minor,
    )


def _even(usual_minor: float, interval_km: float, tried_minor: float) -> float | None:
    return break_even_km(usual_minor, interval_km, tried_minor) if usual_minor > 0 else None
