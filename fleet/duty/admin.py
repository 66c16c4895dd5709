from django.contrib import admin

from fleet.duty.models import Criterion
from fleet.people.setting_up import SetUpAdmin


@admin.register(Criterion)
class CriterionAdmin(SetUpAdmin):
    list_display = ("name", "slug", "in_force", "share_limit", "window_months", "source")
    list_filter = ("in_force",)
