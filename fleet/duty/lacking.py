"""Why nothing can make a compartment severe: no criterion is entered, switched on, or applies."""

from collections.abc import Sequence

from fleet.calc.duty import Criterion
from fleet.duty.assess import criteria
from fleet.duty.models import Criterion as CriterionRow
from fleet.vehicles.models import Compartment

NONE_ENTERED = (
    "no duty criterion is entered, so nothing says when use is severe and all counts as normal; "
    "the usual ones stand in the template of the fleet workbook, switched off"
)
ALL_OFF = (
    "every duty criterion is switched off, so all use counts as normal; switch on those that are "
    "to count, in sheet Duty criteria of the fleet workbook or on the set-up pages"
)


def lacking(
    compartment: Compartment, powertrain: str, in_force: Sequence[Criterion] | None = None
) -> str:
    """A clause that says why use cannot make a compartment severe; empty where it can.

    Parameters
    ----------
    powertrain
        Of the vehicle's type.
    in_force
        The criteria that are switched on, where the caller has them.
    """
    known = criteria() if in_force is None else in_force
    if not known:
        return ALL_OFF if CriterionRow.objects.exists() else NONE_ENTERED
    if any(_applies(one, compartment.kind, powertrain) for one in known):
        return ""
    return f"no duty criterion that is switched on applies to the {compartment.name.lower()}"


def _applies(criterion: Criterion, kind: str, powertrain: str) -> bool:
    fits = not criterion.powertrains or powertrain in criterion.powertrains
    return fits and kind in criterion.compartments
