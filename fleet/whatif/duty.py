"""Duty classes set for some vehicles, and criteria switched on, off or made stricter."""

from datetime import date, timedelta

from fleet.duty.models import Criterion, DutyAssessment, DutyClass, DutyOverride
from fleet.vehicles.models import Compartment, Vehicle
from fleet.whatif.amounts import Misunderstood, number
from fleet.whatif.kinds import Act, Kind, RowFault, Touched, World, near

SWITCH = {"on": True, "off": False, "yes": True, "no": False}


def vehicles(which: str, world: World) -> list[Vehicle]:
    """Vehicles by fleet numbers, ``type:SLUG``, ``depot:SLUG`` or ``*``."""
    here = Vehicle.objects.filter(depot__in=world.depots.values())
    here = here.exclude(status=Vehicle.Status.SOLD).select_related("vehicle_type")
    kind, colon, name = which.partition(":")
    if which.strip() == "*":
        found = here
    elif colon and kind.strip().casefold() == "type":
        found = here.filter(vehicle_type__slug__iexact=name.strip())
    elif colon and kind.strip().casefold() == "depot":
        found = here.filter(depot=world.depot(name))
    else:
        return [world.vehicle(one) for one in which.split(",")]
    if not found:
        slugs = sorted(set(here.values_list("vehicle_type__slug", flat=True)))
        raise RowFault("which", f"no vehicle is {which!r}; {near(name, slugs)}")
    return list(found.order_by("fleet_number"))


def _duty_class(which: str, value: str, world: World) -> Act:
    chosen = value.strip().casefold()
    if chosen not in DutyClass.values:
        raise Misunderstood(f"{value!r} is no duty class: write normal or severe")
    who, _, part = which.partition("/")
    found = vehicles(who, world)
    places = Compartment.objects.filter(vehicle_type__in={one.vehicle_type_id for one in found})
    if part.strip():
        places = places.filter(slug__iexact=part.strip())
        if not places:
            raise RowFault("which", f"no such vehicle has a compartment {part.strip()!r}")

    def act(begins: date, touched: Touched) -> None:
        touched.after.append(lambda: _set(found, list(places), chosen, begins))

    return act


def _set(found: list[Vehicle], places: list[Compartment], duty_class: str, begins: date) -> None:
    """Have a class stand from a day on, whatever was assessed or decided for that time."""
    pairs = [
        (vehicle.pk, place.pk)
        for vehicle in found
        for place in places
        if place.vehicle_type_id == vehicle.vehicle_type_id
    ]
    ids, parts = {one for one, _ in pairs}, {part for _, part in pairs}
    for model in (DutyAssessment, DutyOverride):
        rows = model.objects.filter(vehicle__in=ids, compartment__in=parts)
        rows.filter(from_on__gte=begins).delete()
    DutyOverride.objects.filter(
        vehicle__in=ids, compartment__in=parts, until_on__gte=begins
    ).update(until_on=begins - timedelta(days=1))
    DutyAssessment.objects.bulk_create(
        DutyAssessment(vehicle_id=one, compartment_id=part, from_on=begins, duty_class=duty_class,
                       evidence=[])
        for one, part in pairs
    )  # fmt: skip


def _criterion(which: str, value: str, world: World) -> Act:
    wanted, text = which.strip().casefold(), value.strip().casefold()
    found = Criterion.objects.filter(slug=wanted).first()
    if found is None:
        slugs = list(Criterion.objects.values_list("slug", flat=True))
        raise RowFault("which", f"there is no criterion {which!r}; {near(wanted, slugs)}")
    changes: dict[str, object] = {"in_force": SWITCH[text]} if text in SWITCH else {}
    if not changes:
        share = number(text.replace("%", "")) / 100
        if not 0 < share <= 1:
            raise Misunderstood(f"{value!r}: write on, off, or a share of the time such as 30 %")
        changes = {"share_limit": share, "in_force": True}

    def act(begins: date, touched: Touched) -> None:
        Criterion.objects.filter(pk=found.pk).update(**changes)
        touched.duty = True

    return act


WHO = "fleet numbers, type:SLUG, depot:SLUG or *"
KINDS = (
    Kind(
        "duty class", f"{WHO}; /compartment behind it for one", "normal or severe",
        ("type:van/engine", "severe"), _duty_class,
    ),
    Kind("criterion", "criterion", "on, off, or a share such as 30 %", ("hot-climate", "on"),
         _criterion),
)  # fmt: skip
