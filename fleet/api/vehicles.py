"""Vehicles: which there are, one with all that is known of it, and a change of its particulars."""

from typing import Any

from django.db import transaction
from django.db.models import F, Q
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import chain
from fleet.api.etags import require_match, shown, tag
from fleet.api.fields import Day, Strict, Text, body, query
from fleet.api.paging import Order, PageQuery, listed, page, page_shape
from fleet.api.resource import Resource, vehicle_or_404
from fleet.api.shapes import DUE_KEYS, DueShape, MeterShape, instant
from fleet.api.signin import caller, depots_for
from fleet.due.listing import DueFilter, due_rows
from fleet.duty.models import Criterion, DutyAssessment, DutyClass
from fleet.people.roles import Right
from fleet.readings.listing import last_accepted
from fleet.usage.listing import with_odometer
from fleet.vehicles.edit import edit
from fleet.vehicles.find import vehicles_at
from fleet.vehicles.models import Meter, Powertrain, Vehicle
from fleet.workorders.restrictions import texts

BY_FLEET_NUMBER = Order("vehicles", ("fleet_number", "id"))
LISTED = ("id", "fleet_number", "registration", "status", "joined_on")
OWN = (
    *("fleet_number", "registration", "vin", "status", "declared_use", "under_warranty_until_on"),
    *("joined_on", "joined_as", "in_service_on", "in_service_km", "meter_at_joining_km", "note"),
)


class VehicleQuery(PageQuery):
    depot = Text(required=False)
    vehicle_type = Text(required=False)
    status = serializers.MultipleChoiceField(choices=Vehicle.Status.choices, required=False)


class VehicleRow(serializers.Serializer[Any]):
    fleet_number = serializers.CharField()
    registration = serializers.CharField()
    vehicle_type = serializers.SlugField()
    depot = serializers.SlugField()
    status = serializers.ChoiceField(Vehicle.Status.choices)
    joined_on = serializers.DateField()
    total_km = serializers.FloatField(allow_null=True)
    odometer_unit = serializers.CharField(allow_null=True, help_text="What it shows: km or mi")
    last_reading_at = serializers.DateTimeField(allow_null=True)


class ClassShape(serializers.Serializer[Any]):
    compartment = serializers.SlugField()
    duty_class = serializers.ChoiceField(DutyClass.choices)
    from_on = serializers.DateField()


class VehicleShape(serializers.Serializer[Any]):
    fleet_number = serializers.CharField()
    aliases = serializers.ListField(child=serializers.CharField())
    registration = serializers.CharField()
    vin = serializers.CharField()
    vehicle_type = serializers.SlugField()
    vehicle_type_name = serializers.CharField()
    powertrain = serializers.ChoiceField(Powertrain.choices)
    depot = serializers.SlugField()
    depot_name = serializers.CharField()
    status = serializers.ChoiceField(Vehicle.Status.choices)
    declared_use = serializers.ListField(child=serializers.SlugField())
    under_warranty_until_on = serializers.DateField(allow_null=True)
    joined_on = serializers.DateField()
    joined_as = serializers.ChoiceField(Vehicle.JoinedAs.choices)
    in_service_on = serializers.DateField(allow_null=True)
    in_service_km = serializers.FloatField(allow_null=True)
    meter_at_joining_km = serializers.FloatField(allow_null=True)
    note = serializers.CharField()
    meters = MeterShape(many=True)
    duty = ClassShape(many=True)
    due_dates = DueShape(many=True)
    restrictions = serializers.ListField(
        child=serializers.CharField(), help_text="Standing ones; see `restrictions`"
    )


class VehicleChange(Strict):
    registration = Text(max_length=20, allow_blank=True, required=False)
    status = serializers.ChoiceField(Vehicle.Status.choices, required=False)
    declared_use = serializers.ListField(child=Text(max_length=40), max_length=40, required=False)
    under_warranty_until_on = Day(allow_null=True, required=False)
    note = Text(max_length=300, allow_blank=True, required=False)

    def validate_declared_use(self, slugs: list[str]) -> list[str]:
        known = set(Criterion.objects.values_list("slug", flat=True))
        if unknown := [slug for slug in slugs if slug not in known]:
            raise serializers.ValidationError(f"There is no duty criterion {unknown[0]}.")
        return sorted(set(slugs))


class Vehicles(Resource):
    scope = "vehicles"

    @extend_schema(
        operation_id="vehicles_list",
        parameters=[VehicleQuery],
        responses=page_shape("VehiclePage", VehicleRow),
    )
    def get(self, request: Request) -> Response:
        """Vehicles by fleet number, each with its depot, type, status and last accepted total."""
        asked = query(request, VehicleQuery)
        found = vehicles_at(depots_for(request), asked.get("status") or None)
        rows = with_odometer(found.filter(_chosen(asked))).values(
            *LISTED,
            at_depot=F("depot__slug"),
            of_type=F("vehicle_type__slug"),
            total_km=F("km__usage__last_km"),
            odometer_unit=F("km__unit"),
            last_at_d=F("km__usage__last_at_d"),
        )
        on_page, following = page(request, rows, BY_FLEET_NUMBER, asked)
        return listed([_row(row) for row in on_page], following)


class OneVehicle(Resource):
    scope = "vehicles"
    rights = {"GET": Right.SEE, "PATCH": Right.SET_UP}
    conditional = ("PATCH",)

    @extend_schema(operation_id="vehicles_one", responses=VehicleShape)
    def get(self, request: Request, fleet_number: str) -> Response:
        """One vehicle as a whole: what was entered of it, its meters, duty classes, due dates and
        restrictions.
        """
        response: Response = shown(request, whole(vehicle_or_404(request, fleet_number)))
        return response

    @extend_schema(operation_id="vehicles_change", request=VehicleChange, responses=VehicleShape)
    def patch(self, request: Request, fleet_number: str) -> Response:
        """Changes registration, status, declared use, warranty or note of a vehicle, and nothing
        else of it; due dates follow at once.
        """
        found = vehicle_or_404(request, fleet_number)
        changes = body(request, VehicleChange)
        with transaction.atomic():
            vehicle = _locked(found.pk)
            require_match(request, whole(vehicle))
            changed = edit(vehicle, changes, person=caller(request), channel="api")
        if changed:
            chain.refresh([vehicle.pk], timezone.now())
        now = whole(vehicle)
        return Response(now, headers={"ETag": tag(now)})


def whole(vehicle: Vehicle) -> dict[str, Any]:
    """All that is known of a vehicle."""
    due = due_rows(DueFilter(vehicle=vehicle.fleet_number))
    return {
        **{name: getattr(vehicle, name) for name in OWN},
        "aliases": sorted(vehicle.aliases.values_list("fleet_number", flat=True)),
        "vehicle_type": vehicle.vehicle_type.slug,
        "vehicle_type_name": vehicle.vehicle_type.name,
        "powertrain": vehicle.vehicle_type.powertrain,
        "depot": vehicle.depot.slug,
        "depot_name": vehicle.depot.name,
        "meters": meters_of(vehicle),
        "duty": _classes(vehicle),
        "due_dates": [{key: getattr(row, key) for key in DUE_KEYS} for row in due],
        "restrictions": texts([vehicle.pk]).get(vehicle.pk, []),
    }


def meters_of(vehicle: Vehicle) -> list[dict[str, Any]]:
    last = {meter.pk: last_accepted(meter) for meter in vehicle.meters.all()}
    shown = {pk: reading.shown for pk, reading in last.items() if reading is not None}
    rows = vehicle.meters.order_by("kind").values(
        "id",
        "kind",
        "unit",
        "usage__readings",
        "usage__last_at_d",
        "usage__last_km",
        "usage__provisional",
    )
    return [
        {
            "kind": row["kind"],
            "unit": row["unit"],
            "readings": row["usage__readings"] or 0,
            "last_at": instant(row["usage__last_at_d"]),
            "total_km": row["usage__last_km"] if row["kind"] == Meter.Kind.KM else None,
            "total_h": row["usage__last_km"] if row["kind"] == Meter.Kind.HOURS else None,
            "shown_km": shown.get(row["id"]) if row["kind"] == Meter.Kind.KM else None,
            "shown_h": shown.get(row["id"]) if row["kind"] == Meter.Kind.HOURS else None,
            "provisional": bool(row["usage__provisional"]),
        }
        for row in rows
    ]


def _chosen(asked: dict[str, Any]) -> Q:
    wanted = Q()
    if "depot" in asked:
        wanted &= Q(depot__slug=asked["depot"])
    if "vehicle_type" in asked:
        wanted &= Q(vehicle_type__slug=asked["vehicle_type"])
    return wanted


def _row(row: dict[str, Any]) -> dict[str, Any]:
    return {
        "fleet_number": row["fleet_number"],
        "registration": row["registration"],
        "vehicle_type": row["of_type"],
        "depot": row["at_depot"],
        "status": row["status"],
        "joined_on": row["joined_on"],
        "total_km": row["total_km"],
        "odometer_unit": row["odometer_unit"],
        "last_reading_at": instant(row["last_at_d"]),
    }


def _locked(vehicle_id: int) -> Vehicle:
    rows = Vehicle.objects.select_related("depot", "vehicle_type")
    return rows.select_for_update(of=("self",)).get(pk=vehicle_id)


def _classes(vehicle: Vehicle) -> list[dict[str, Any]]:
    rows = DutyAssessment.objects.filter(vehicle=vehicle).order_by("from_on")
    newest = {
        compartment: {"compartment": compartment, "duty_class": duty_class, "from_on": from_on}
        for compartment, duty_class, from_on in rows.values_list(
            "compartment__slug", "duty_class", "from_on"
        )
    }
    return [newest[compartment] for compartment in sorted(newest)]
