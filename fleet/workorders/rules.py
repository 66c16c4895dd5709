"""Rules for re-checks in words, and what a procedure prints that no rule stands behind, or another
rule."""

import re
from collections.abc import Iterator, Sequence

from fleet.units import distance_km
from fleet.vehicles.own_unit import in_own
from fleet.workorders.models import Procedure, ReCheckRule

Applies = ReCheckRule.Applies
ROUNDED_KM = 1.0  # a figure of a source in miles is written as whole km; our choice
_AGAIN = re.compile(r"\b(?:again|re-?(?:check|tighten|torque))", re.IGNORECASE)
_DISTANCE = re.compile(r"(?<![\d.,])(\d{1,3}(?:,\d{3})+|\d{1,6}(?:\.\d{1,3})?)\s?(km|mi)\b")
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


def told_otherwise() -> list[str]:
    """Procedures of which a field or a text tells another distance of looking again than a rule,
    which holds: 'van brake-fluid: 50 km, but after 80 to 160 km by its rule'."""
    far = ReCheckRule.objects.filter(to_km__isnull=False)
    rows = Procedure.objects.filter(pk__in=far.values("procedure"))
    rows = rows.select_related("service__vehicle_type").prefetch_related("re_check_rules", "steps")
    return sorted(told for row in rows if (told := _otherwise(row)))


def _otherwise(procedure: Procedure) -> str:
    rules = [rule for rule in procedure.re_check_rules.all() if rule.to_km is not None]
    wheels = [rule for rule in rules if rule.applies == Applies.WHEELS_REMOVED]
    texts = (procedure.re_check, procedure.note, *(step.text for step in procedure.steps.all()))
    said = [(km, rules) for text in texts for km in _distances_km(text)]
    if procedure.retorque_after_km is not None and wheels:
        said.append((procedure.retorque_after_km, wheels))
    for km, held in said:
        if not any(_within(rule, km) for rule in held):
            by_rule = "; ".join(when_words(rule, "km") for rule in held)
            name = f"{procedure.service.vehicle_type.slug} {procedure.service.slug}"
            return f"{name}: {km:,.0f} km, but {by_rule} by its rule"
    return ""


def _distances_km(text: str) -> Iterator[float]:
    """The distances in a text that speaks of doing something again."""
    if _AGAIN.search(text):
        for figure, unit in _DISTANCE.findall(text):
            yield distance_km(float(figure.replace(",", "")), unit)


def _within(rule: ReCheckRule, km: float) -> bool:
    top_km = rule.to_km or 0.0
    least_km = top_km if rule.from_km is None else rule.from_km
    return least_km - ROUNDED_KM <= km <= top_km + ROUNDED_KM
