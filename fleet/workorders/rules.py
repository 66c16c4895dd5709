"""Rules for re-checks in words, and what a procedure prints that no rule stands behind."""

from collections.abc import Sequence

from fleet.vehicles.own_unit import in_own
from fleet.workorders.models import Procedure, ReCheckRule

Applies = ReCheckRule.Applies
WHERE: dict[str, str] = {Applies.SEALANT_USED: ", where sealant was used"}


def when_words(rule: ReCheckRule, unit: str) -> str:
    """When a rule wants its re-check, in the unit of the vehicle's odometer, and in brackets as its
    source states it where that is another: "after 40 to 80 km (25 to 50 mi)"."""
    parts = []
    if rule.to_km is not None:
        at_most = "at most " if rule.from_km is None else ""
        stated = "" if unit == rule.stated_unit else f" ({_distance(rule, rule.stated_unit)})"
        parts.append(f"after {at_most}{_distance(rule, unit)}{stated}")
    if rule.after_min is not None:
        parts.append(f"after {rule.after_min} min standing")
    if rule.after_d is not None:
        parts.append(f"within {rule.after_d} days")
    return " or ".join(parts)


def _distance(rule: ReCheckRule, unit: str) -> str:
    """From where to where, e.g. "25 to 50 mi"; a converted figure is as round as one on a dial."""
    shown = [in_own(km, unit) for km in (rule.from_km, rule.to_km) if km is not None]
    stated = unit == rule.stated_unit
    figures = [f"{one:,.4g}" if stated or one < 10 else f"{one:,.0f}" for one in shown]
    return f"{' to '.join(figures)} {unit}"


def retorque_after_km(procedure: Procedure, rules: Sequence[ReCheckRule]) -> float | None:
    """Distance by which wheels are tightened again: by the rule, else as only printed."""
    by_rule = [
        rule.to_km
        for rule in rules
        if rule.applies == Applies.WHEELS_REMOVED and rule.to_km is not None
    ]
    return min(by_rule, default=procedure.retorque_after_km)


def re_check_words(procedure: Procedure, rules: Sequence[ReCheckRule], unit: str) -> str:
    """What to look at again and when: by the rules, else what is only printed."""
    told = [
        f"{rule.text}{WHERE.get(rule.applies, '')}: {when_words(rule, unit)}"
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
