"""What is asked most, to be filled in: each form gives the rows that a file would hold."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from fleet.due.models import Limit, Service
from fleet.faults import Fault
from fleet.today import day
from fleet.usage.models import UsageState
from fleet.vehicles.models import Depot, Meter, Vehicle, VehicleType

OIL = "*/*oil*"
Row = dict[str, str]


@dataclass(frozen=True)
class Choices:
    """What the forms offer: the fleet's own depots, types and services."""

    depots: Sequence[Depot]
    types: Sequence[VehicleType]
    services: Sequence[tuple[str, str]]  # as files write them, and in words


def choices(depots: Sequence[Depot]) -> Choices:
    """Types that these depots have, and services that have a limit by distance."""
    here = Vehicle.objects.filter(depot__in=depots).exclude(status=Vehicle.Status.SOLD)
    types = VehicleType.objects.filter(pk__in=here.values("vehicle_type")).order_by("name")
    limited = Limit.objects.exclude(limit_km=None).values("service")
    found = Service.objects.filter(pk__in=limited, vehicle_type__in=types).order_by("name")
    names: dict[str, str] = {}
    for slug, name in found.values_list("slug", "name"):
        names.setdefault(f"*/{slug}", f"{name}, every type")
    oils = [(OIL, "every oil change")] if any("oil" in slug for slug in names) else []
    return Choices(depots, list(types), [*oils, *names.items()])


def in_three_months(today: date) -> date:
    """The first of the month after the next two: when what is bought today may be there."""
    month = today.month + 3
    return date(today.year + (month - 1) // 12, (month - 1) % 12 + 1, 1)


def rows_of(form: str, given: Mapping[str, str], depots: Sequence[Depot]) -> tuple[str, list[Row]]:
    """
    Title and rows of a form as it was filled in.

    Raises
    ------
    Fault
        With the field that it is about.
    """
    makers = {"mechanic": _mechanic, "limits": _limits, "vehicles": _vehicles}
    if form not in makers:
        raise Fault("There is no such form: send a file instead.")
    return makers[form]({name: value.strip() for name, value in given.items()}, depots)


def _depot(given: Mapping[str, str], depots: Sequence[Depot]) -> Depot:
    found = [one for one in depots if one.slug == given.get("depot")]
    if not found:
        raise Fault("Choose one of your depots.", about="depot")
    return found[0]


def _from(given: Mapping[str, str]) -> tuple[str, str]:
    text = given.get("from", "")
    try:
        return text, f" from {day(date.fromisoformat(text))}" if text else ""
    except ValueError:
        raise Fault(f"{text!r} is no day: write it like 2027-03-01.", about="from") from None


def _mechanic(given: Mapping[str, str], depots: Sequence[Depot]) -> tuple[str, list[Row]]:
    depot, (on, from_words) = _depot(given, depots), _from(given)
    days, minutes = given.get("days") or "Fri", given.get("minutes", "")
    rows = [_row("mechanic", depot.slug, f"{minutes} {days}", on)]
    if given.get("bay"):
        rows.append(_row("bay", depot.slug, "", on))
    beside = " with a bay" if given.get("bay") else ""
    return f"One more mechanic at {depot}, {days}, {minutes} min{beside}{from_words}", rows


def _limits(given: Mapping[str, str], depots: Sequence[Depot]) -> tuple[str, list[Row]]:
    which, figure = given.get("which", ""), given.get("km", "")
    offered = dict(choices(depots).services)
    if which not in offered:
        raise Fault("Choose a service.", about="which")
    on, from_words = _from(given)
    sign, way = ("+", "longer") if given.get("way") == "longer" else ("-", "shorter")
    title = f"Intervals {figure} km {way}: {offered[which]}{from_words}"
    return title, [_row("limit km", which, f"{sign}{figure}", on)]


def _vehicles(given: Mapping[str, str], depots: Sequence[Depot]) -> tuple[str, list[Row]]:
    depot, (on, from_words) = _depot(given, depots), _from(given)
    kind = VehicleType.objects.filter(slug=given.get("type", "")).first()
    like = typical(kind, depot, depots) if kind else None
    if kind is None or like is None:
        raise Fault("Choose a type of which a vehicle with readings is there.", about="type")
    count = given.get("count", "")
    title = f"{count} more {kind} at {depot}{from_words}"
    return title, [_row("add vehicles", f"{like}@{depot.slug}", count, on)]


def typical(kind: VehicleType, depot: Depot, depots: Sequence[Depot]) -> Vehicle | None:
    """The vehicle of a type that drives a middling distance, of a depot where it has some."""
    states = UsageState.objects.filter(
        vehicle__vehicle_type=kind, vehicle__depot__in=depots, meter__kind=Meter.Kind.KM
    ).exclude(vehicle__status=Vehicle.Status.SOLD)
    rows = list(states.select_related("vehicle"))
    here = [one for one in rows if one.vehicle.depot_id == depot.pk] or rows
    by_rate = sorted(here, key=lambda one: (one.rate_km_per_day * one.mu, one.pk))
    return by_rate[len(by_rate) // 2].vehicle if by_rate else None


def _row(what: str, which: str, value: str, on: str) -> Row:
    return {"what": what, "which": which, "value": value, "from": on}


def examples(depots: Sequence[Depot], today: date) -> list[Row]:
    """The three forms as they are first shown, as rows of a file."""
    offered, later = choices(depots), in_three_months(today).isoformat()
    found: list[Row] = []
    if depots:
        found.append(_row("mechanic", depots[0].slug, "480 Fri", ""))
    if offered.services:
        found.append(_row("limit km", offered.services[0][0], "-5000", ""))
    like = typical(offered.types[0], depots[0], depots) if offered.types else None
    if like is not None:
        found.append(_row("add vehicles", f"{like}@{depots[0].slug}", "20", later))
    return found
