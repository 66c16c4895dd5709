"""Rules for re-checks in words, and what a procedure prints that no rule stands behind."""

from collections.abc import Sequence

from fleet.units import distance_mi
from fleet.workorders.models import Procedure, ReCheckRule

Applies = ReCheckRule.Applies
WHERE: dict[str, str] = {Applies.SEALANT_USED: ", where sealant was used"}


def when_words(rule: ReCheckRule) -> str:
    """When a rule wants its re-check, in the unit its source states, e.g. "after 25 to 50 mi"."""
    parts = []
    if rule.to_km is not None:
        low = "" if rule.from_km is None else f"{_distance(rule, rule.from_km)} to "
        at_most = "" if low else "at most "
        parts.append(f"after {low}{at_most}{_distance(rule, rule.to_km)} {rule.stated_unit}")
    if rule.after_min is not None:
        parts.append(f"after {rule.after_min} min standing")
    if rule.after_d is not None:
        parts.append(f"within {rule.after_d} days")
    return " or ".join(parts)


def _distance(rule: ReCheckRule, km: float) -> str:
    return f"{distance_mi(km) if rule.stated_unit == 'mi' else km:,.4g}"


def retorque_after_km(procedure: Procedure, rules: Sequence[ReCheckRule]) -> float | None:
    """Distance by which wheels are tightened again: by the rule, else as only printed."""
    by_rule = [
        rule.to_km
        for rule in rules
        if rule.applies == Applies.WHEELS_REMOVED and rule.to_km is not None
    ]
    return min(by_rule, default=procedure.retorque_after_km)


def re_check_words(procedure: Procedure, rules: Sequence[ReCheckRule]) -> str:
    """What to look at again and when: by the rules, else what is only printed."""
    told = [
        f"{rule.text}{WHERE.get(rule.applies, '')}: {when_words(rule)}"
        for rule in rules
        if procedure.wheels_removed or rule.applies != Applies.WHEELS_REMOVED
    ]
    return "; ".join(told) or procedure.re_check


def printed_only() -> list[str]:
    """Services whose procedure prints a re-check that no rule ever makes due."""
    rows = Procedure.objects.filter(re_check_rules=None).select_related("service__vehicle_type")
    return sorted(
        f"{row.service.vehicle_type.slug} {row.service.slug}"
        for row in rows
        if row.re_check or row.retorque_after_km is not None
    )
