"""Limits of services, their tolerances and early windows; intervals that hold for one product."""

from collections.abc import Callable
from datetime import date
from fnmatch import fnmatchcase
from functools import partial

from fleet.due.models import Limit, Service
from fleet.whatif.amounts import Amount, Misunderstood, amount, positive
from fleet.whatif.kinds import Act, Kind, RowFault, Touched, World, near

UNITS = {"km": ("km",), "months": ("months", "month"), "hours": ("h", "hours")}
CLASSES = ("normal", "severe")


def services(which: str) -> list[Service]:
    """Services by type and slug, ``*`` for any: van/engine-oil, */engine-oil, *."""
    pattern = which.strip().casefold()
    pattern = pattern if "/" in pattern else f"*/{pattern}"
    every = Service.objects.select_related("vehicle_type").order_by("pk")
    found = {f"{one.vehicle_type.slug}/{one.slug}": one for one in every}
    chosen = [one for name, one in found.items() if fnmatchcase(name, pattern)]
    if not chosen:
        raise RowFault("which", f"no service is {which!r}; {near(pattern, list(found))}")
    return chosen


def _limits(which: str) -> list[Limit]:
    """Limits of services, those of one duty class where it stands behind a second slash."""
    head, _, last = which.strip().rpartition("/")
    duty_class = last.casefold() if head and last.casefold() in CLASSES else ""
    found = Limit.objects.filter(service__in=services(head if duty_class else which))
    return list(found.filter(duty_class=duty_class) if duty_class else found)


def _of_product(which: str) -> list[Limit]:
    found = list(Limit.objects.filter(product__slug=which.strip().casefold()))
    if not found:
        slugs = Limit.objects.exclude(product=None).values_list("product__slug", flat=True)
        names = sorted(set(slugs))
        hint = near(which, names) if names else "no limit names a product: change the limit itself"
        raise RowFault("which", f"no limit holds for the product {which!r} alone; {hint}")
    return found


def _new(limit: Limit, column: str, change: Amount) -> float | None:
    now = getattr(limit, column)
    if now is None:
        return None  # what has no such limit gets none
    if column.startswith("tolerance"):
        return max(change(now), 0.0)
    return positive(change(now), f"the limit of {limit.service}")


def _understand(
    column: str,
    units: tuple[str, ...],
    find: Callable[[str], list[Limit]],
    which: str,
    value: str,
    world: World,
) -> Act:
    found, change = find(which), amount(value, units)
    whole = column in ("limit_months", "tolerance_d")
    new = {limit.pk: _new(limit, column, change) for limit in found}
    if all(figure is None for figure in new.values()):
        unit = column.removeprefix("limit_")
        raise RowFault("what", f"none of these has a limit in {unit}; change one that they have")
    if column == "limit_months" and any(f is not None and round(f) < 1 for f in new.values()):
        raise Misunderstood(f"{value!r} leaves less than a month: take less away")

    def act(begins: date, touched: Touched) -> None:
        for pk, figure in new.items():
            if figure is not None:
                kept = round(figure) if whole else figure
                Limit.objects.filter(pk=pk).update(**{column: kept})

    return act


def _early(which: str, value: str, world: World) -> Act:
    found = services(which)
    text = value.replace("%", "").strip()
    change = amount(text)
    new = {one.pk: change(one.early_share * 100) / 100 for one in found}
    if any(not 0 <= share <= 0.9 for share in new.values()):
        raise Misunderstood(f"{value!r} is no share of the interval: write 0 % to 90 %")

    def act(begins: date, touched: Touched) -> None:
        for pk, share in new.items():
            Service.objects.filter(pk=pk).update(early_share=share)

    return act


SERVICE = "type/service, * for any; /normal or /severe behind it for one duty class"


def _kind(what: str, column: str, unit: str, example: str) -> Kind:
    units = UNITS.get(unit, (unit,))
    taken = partial(_understand, column, units, _limits)
    return Kind(what, SERVICE, f"{unit}, or less or more", ("*/engine-oil", example), taken)


KINDS = (
    _kind("limit km", "limit_km", "km", "-5000"),
    _kind("limit months", "limit_months", "months", "12"),
    _kind("limit hours", "limit_h", "hours", "400"),
    _kind("tolerance km", "tolerance_km", "km", "1000"),
    _kind("tolerance days", "tolerance_d", "days", "14"),
    _kind("tolerance hours", "tolerance_h", "hours", "20"),
    Kind("early window", SERVICE, "share of the interval", ("*/engine-oil", "20 %"), _early),
    Kind(
        "product km",
        "product that limits name",
        "km, or less or more",
        ("long-life-oil", "+10000"),
        partial(_understand, "limit_km", UNITS["km"], _of_product),
    ),
    Kind(
        "product months",
        "product that limits name",
        "months, or less or more",
        ("long-life-oil", "24"),
        partial(_understand, "limit_months", UNITS["months"], _of_product),
    ),
)
