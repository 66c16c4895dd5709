"""What a type of vehicle uses up as it drives; everything else here is computed."""

from django.contrib import admin

from fleet.consumables.models import PerKmUse
from fleet.people.setting_up import SetUpAdmin


@admin.register(PerKmUse)
class PerKmUseAdmin(SetUpAdmin):
    list_display = ("vehicle_type", "item", "ml_per_1000_km", "source")
    list_filter = ("vehicle_type",)
