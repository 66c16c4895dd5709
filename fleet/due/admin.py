from django.contrib import admin

from fleet.due.models import CheckFigure, Limit, Service
from fleet.people.setting_up import RemovableRows, SetUpAdmin


class Limits(RemovableRows):
    model = Limit


class CheckFigures(RemovableRows):
    model = CheckFigure
    fk_name = "service"


@admin.register(Service)
class ServiceAdmin(SetUpAdmin):
    list_display = ("name", "slug", "vehicle_type", "compartment", "kind")
    list_filter = ("vehicle_type", "kind")
    inlines = (Limits, CheckFigures)
