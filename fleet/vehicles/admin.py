from typing import Any

from django.contrib import admin
from django.http import HttpRequest

from fleet.people.setting_up import RemovableRows, Rows, SetUpAdmin, is_superuser
from fleet.vehicles.models import (
    Alias,
    ClimateMonth,
    Closure,
    Compartment,
    Depot,
    DepotStay,
    Meter,
    Vehicle,
    VehicleType,
)


class ClimateMonths(RemovableRows):
    model = ClimateMonth


class Closures(RemovableRows):
    model = Closure


@admin.register(Depot)
class DepotAdmin(SetUpAdmin):
    list_display = ("name", "slug", "zone", "hilly", "salted_roads")
    depot_path = "pk"
    filter_horizontal = ("people",)
    inlines = (ClimateMonths, Closures)

    def get_exclude(self, request: HttpRequest, obj: Any = None) -> Any:
        """Who is in which depot is said on the page People and tokens, about people one manages."""
        return ("tokens",) if is_superuser(request) else ("tokens", "people")

    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Who adds a depot would not be in it: that is for those who are in all of them."""
        return is_superuser(request)


class Compartments(Rows):
    model = Compartment


@admin.register(VehicleType)
class VehicleTypeAdmin(SetUpAdmin):
    list_display = ("name", "slug", "powertrain", "expected_km_per_day", "top_km_per_day")
    inlines = (Compartments,)


class Aliases(RemovableRows):
    model = Alias


class Meters(Rows):
    model = Meter


class DepotStays(Rows):
    """Stays are added; those that were, perhaps at depots of others, stay as they are."""

    model = DepotStay

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return is_superuser(request)


@admin.register(Vehicle)
class VehicleAdmin(SetUpAdmin):
    list_display = ("fleet_number", "registration", "vehicle_type", "depot", "status")
    list_filter = ("status", "vehicle_type")
    search_fields = ("fleet_number", "registration")
    depot_path = "depot"
    inlines = (DepotStays, Meters, Aliases)

    def get_readonly_fields(self, request: HttpRequest, obj: Vehicle | None = None) -> Any:
        """A vehicle moves by a new stay, so that its past keeps its own depot."""
        return () if obj is None else ("depot",)

    def save_related(self, request: HttpRequest, form: Any, formsets: Any, change: bool) -> None:
        super().save_related(request, form, formsets, change)
        vehicle: Vehicle = form.instance
        newest = vehicle.stays.order_by("from_on").last()
        if newest is None:
            vehicle.stays.create(depot=vehicle.depot, from_on=vehicle.joined_on)
        elif newest.depot_id != vehicle.depot_id:
            vehicle.depot = newest.depot
            vehicle.save()
