from typing import Any

from django.contrib import admin
from django.contrib.auth.admin import UserAdmin
from django.contrib.auth.models import Group
from django.db.models import Q, QuerySet
from django.http import HttpRequest

from fleet.people.models import Person
from fleet.people.roles import Right, depots_of
from fleet.people.setting_up import SetUpAdmin, is_superuser

admin.site.unregister(Group)  # roles stand in the program, not in groups
ABOUT = ("username", "first_name", "last_name", "email", "role")
DEPUTY = ("deputy", "deputy_from_on", "deputy_until_on")


@admin.register(Person)
class PersonAdmin(SetUpAdmin, UserAdmin):  # type: ignore[type-arg]
    """People of one's own depots; only a superuser makes others staff or superuser."""

    right = Right.MANAGE_PEOPLE
    list_display = ("username", "first_name", "last_name", "role", "is_active", "is_staff")
    list_filter = ("role", "is_active")
    filter_horizontal = ()
    fieldsets = (
        (None, {"fields": (*ABOUT, "password")}),
        ("Deputy", {"fields": DEPUTY}),
        ("Access", {"fields": ("is_active", "is_staff", "is_superuser")}),
    )
    add_fieldsets = ((None, {"fields": (*ABOUT, "usable_password", "password1", "password2")}),)

    def get_queryset(self, request: HttpRequest) -> QuerySet[Any]:
        rows: QuerySet[Any] = super().get_queryset(request)
        if is_superuser(request):
            return rows
        own = Q(depots__in=depots_of(request.user)) | Q(depots=None)
        return rows.filter(own, is_superuser=False).distinct()

    def get_readonly_fields(self, request: HttpRequest, obj: Any = None) -> Any:
        return () if is_superuser(request) else ("is_staff", "is_superuser")

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        above = obj is not None and obj.is_superuser and not is_superuser(request)
        return not above and super().has_change_permission(request, obj)
