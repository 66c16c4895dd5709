"""What a workshop has; plans are computed."""

from typing import Any

from django import forms
from django.contrib import admin
from django.db.models import Q, QuerySet
from django.http import HttpRequest

from fleet.people.roles import depots_of, mechanics_of
from fleet.people.setting_up import RemovableSetUp
from fleet.visits import models
from fleet.workorders.words_field import Listed


class SkillsForm(forms.ModelForm):  # type: ignore[type-arg]
    skills = Listed(
        required=False,
        help_text="What not everybody can do, in words of your own with ; between, and written "
        "alike for mechanics and services.",
    )


@admin.register(models.Workshop)
class WorkshopAdmin(RemovableSetUp):
    list_display = ("depot", "opening_min", "kept_share", "visit_minor", "source")
    depot_path = "depot"


@admin.register(models.Bay)
class BayAdmin(RemovableSetUp):
    list_display = ("name", "depot", "rated_kg", "length_m", "height_m", "opening_min", "source")
    list_filter = ("depot",)
    depot_path = "depot"


@admin.register(models.Mechanic)
class MechanicAdmin(RemovableSetUp):
    form = SkillsForm
    list_display = ("name", "depot", "minutes", "works_on", "skills", "person", "source")
    list_filter = ("depot",)
    depot_path = "depot"

    def formfield_for_foreignkey(self, db_field: Any, request: Any, **given: Any) -> Any:
        """Only people who do the work at one's own depots can be chosen."""
        field = super().formfield_for_foreignkey(db_field, request, **given)
        if field is not None and db_field.name == "person":
            own = depots_of(request.user).values_list("pk", flat=True)
            field.queryset = mechanics_of(list(own))
        return field


@admin.register(models.Absence)
class AbsenceAdmin(RemovableSetUp):
    list_display = ("__str__", "from_on", "until_on", "reason")

    def get_queryset(self, request: HttpRequest) -> QuerySet[Any]:
        own = depots_of(request.user)
        of_own = Q(mechanic__depot__in=own) | Q(vehicle__depot__in=own)
        return super().get_queryset(request).filter(of_own)

    def formfield_for_foreignkey(self, db_field: Any, request: Any, **given: Any) -> Any:
        """Only mechanics and vehicles of one's own depots can be chosen."""
        field = super().formfield_for_foreignkey(db_field, request, **given)
        if field is not None and db_field.name in ("mechanic", "vehicle"):
            field.queryset = field.queryset.filter(depot__in=depots_of(request.user))
        return field


@admin.register(models.BlockedDays)
class BlockedDaysAdmin(RemovableSetUp):
    list_display = ("depot", "from_on", "until_on", "reason")
    list_filter = ("depot",)
    depot_path = "depot"


@admin.register(models.SparedType)
class SparedTypeAdmin(RemovableSetUp):
    list_display = ("depot", "vehicle_type", "vehicles_a_day")
    list_filter = ("depot",)
    depot_path = "depot"


@admin.register(models.ServiceNeed)
class ServiceNeedAdmin(RemovableSetUp):
    form = SkillsForm
    list_display = ("service", "skills", "second_min", "source")
