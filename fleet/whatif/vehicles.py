"""Vehicles added, sold and moved; what they are used for and how far they drive."""

from datetime import UTC, date, datetime, time

from django.db import transaction
from django.db.models import F

from fleet.duty.models import Criterion, DutyAssessment
from fleet.usage.models import UsageState
from fleet.vehicles.models import DepotStay, Meter, Vehicle
from fleet.whatif.amounts import Amount, Misunderstood, amount, positive, whole
from fleet.whatif.duty import vehicles
from fleet.whatif.kinds import Act, Kind, RowFault, Touched, World, near

MOST_ADDED = 2_000  # our choice
NUMBER = "what-if {}"  # fleet numbers of vehicles that do not exist


def _add(which: str, value: str, world: World) -> Act:
    number, at, slug = which.rpartition("@")
    like = world.vehicle(number if at else which)
    depot = world.depot(slug) if at else like.depot
    count = whole(value, 1, MOST_ADDED, "vehicles")
    if not UsageState.objects.filter(vehicle=like).exists():
        raise RowFault("which", f"{like} has no readings to drive like; choose another vehicle")

    def act(begins: date, touched: Touched) -> None:
        for _ in range(count):
            _one_like(like, depot.pk, begins)

    return act


def _one_like(like: Vehicle, depot_id: int, begins: date) -> None:
    """A new vehicle of the same type, use and rate; its meters begin at nothing that day."""
    number = NUMBER.format(1 + Vehicle.objects.filter(fleet_number__startswith="what-if ").count())
    with transaction.atomic():
        new = Vehicle.objects.create(
            fleet_number=number,
            vehicle_type_id=like.vehicle_type_id,
            depot_id=depot_id,
            declared_use=like.declared_use,
            joined_on=begins,
            joined_as=Vehicle.JoinedAs.NEW,
            in_service_on=begins,
            in_service_km=0,
            meter_at_joining_km=0,
        )
        DepotStay.objects.create(vehicle=new, depot_id=depot_id, from_on=begins)
        for state in UsageState.objects.filter(vehicle=like).select_related("meter"):
            meter = Meter.objects.create(vehicle=new, kind=state.meter.kind, unit=state.meter.unit)
            _drive_like(state, meter, new, begins)
        _same_classes(like, new, begins)


def _drive_like(state: UsageState, meter: Meter, new: Vehicle, begins: date) -> None:
    at_d = datetime.combine(begins, time(), UTC).timestamp() / 86_400
    start = {"first_at_d": at_d, "filtered_at_d": at_d, "last_at_d": at_d, "idle_d": 0.0}
    values = {field.attname: getattr(state, field.attname) for field in state._meta.fields}
    values |= start | {"filtered_km": 0.0, "last_km": 0.0}
    values |= {"meter_id": meter.pk, "vehicle_id": new.pk, "stamp": -meter.pk}
    UsageState.objects.create(**values)


def _same_classes(like: Vehicle, new: Vehicle, begins: date) -> None:
    newest: dict[int, DutyAssessment] = {}
    for row in DutyAssessment.objects.filter(vehicle=like).order_by("from_on"):
        newest[row.compartment_id] = row
    DutyAssessment.objects.bulk_create(
        DutyAssessment(vehicle=new, compartment_id=part, from_on=begins.replace(day=1),
                       duty_class=row.duty_class, evidence=row.evidence)
        for part, row in newest.items()
    )  # fmt: skip


def _sell(which: str, value: str, world: World) -> Act:
    found = _furthest(vehicles(which, world))
    if value.strip():
        found = found[: whole(value, 1, len(found), "these vehicles")]

    def act(begins: date, touched: Touched) -> None:
        ids = [one.pk for one in found]
        Vehicle.objects.filter(pk__in=ids).update(status=Vehicle.Status.SOLD)

    return act


def _furthest(found: list[Vehicle]) -> list[Vehicle]:
    """Those that have driven most first."""
    km = dict(
        UsageState.objects.filter(vehicle__in=found, meter__kind=Meter.Kind.KM).values_list(
            "vehicle_id", "last_km"
        )
    )
    return sorted(found, key=lambda one: (-km.get(one.pk, 0.0), one.fleet_number))


def _move(which: str, value: str, world: World) -> Act:
    found, depot = vehicles(which, world), world.depot(value, "value")

    def act(begins: date, touched: Touched) -> None:
        for one in found:
            Vehicle.objects.filter(pk=one.pk).update(depot=depot, revision=F("revision") + 1)
            DepotStay.objects.update_or_create(
                vehicle=one, from_on=begins, defaults={"depot": depot}
            )
        touched.duty = True

    return act


def _use(which: str, value: str, world: World) -> Act:
    found, text = vehicles(which, world), value.strip().casefold()
    slugs = [] if text == "none" else [one.strip() for one in text.split(",") if one.strip()]
    known = set(Criterion.objects.values_list("slug", flat=True))
    for slug in slugs:
        if slug not in known:
            raise RowFault("value", f"there is no criterion {slug!r}; {near(slug, sorted(known))}")
    if not slugs and text != "none":
        raise Misunderstood("it is empty: write criteria such as stop-start, or none")

    def act(begins: date, touched: Touched) -> None:
        for one in found:
            Vehicle.objects.filter(pk=one.pk).update(declared_use=slugs)
        touched.duty = True

    return act


def _drive(which: str, value: str, world: World) -> Act:
    found, change = vehicles(which, world), amount(value, ("km",))
    states = UsageState.objects.filter(vehicle__in=found, meter__kind=Meter.Kind.KM)
    factors = {one.pk: _factor(one, change) for one in states}
    if not factors:
        raise RowFault("which", "none of these has readings to drive more or less than")

    def act(begins: date, touched: Touched) -> None:
        for pk, factor in factors.items():
            UsageState.objects.filter(pk=pk).update(
                rate_km_per_day=F("rate_km_per_day") * factor, stamp=F("stamp") + 1
            )

    return act


def _factor(state: UsageState, change: Amount) -> float:
    now = max(state.rate_km_per_day * state.mu, 0.1)
    return positive(change(now), f"the distance of {state.vehicle}") / now


WHO = "fleet numbers, type:SLUG, depot:SLUG or *"
KINDS = (
    Kind("add vehicles", "vehicle they are like@depot", "how many", ("VEHICLE@DEPOT", "20"), _add),
    Kind("sell", f"{WHO}; of many those that drove most",
         "how many of them, empty for all", ("type:van", "5"), _sell),
    Kind("move", WHO, "depot", ("VEHICLE", "DEPOT"), _move),
    Kind("use", WHO, "criteria declared, or none", ("VEHICLE", "stop-start"), _use),
    Kind("km per day", WHO, "km, or less or more", ("depot:DEPOT", "+10 %"), _drive),
)  # fmt: skip
