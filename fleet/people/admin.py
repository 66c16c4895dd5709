from typing import Any

from django.contrib import admin
from django.contrib.auth.admin import UserAdmin
from django.contrib.auth.models import Group
from django.db.models import QuerySet
from django.http import HttpRequest

from fleet.people.models import Person
from fleet.people.roles import Right, managed_by
from fleet.people.setting_up import SetUpAdmin, is_superuser

admin.site.unregister(Group)  # roles stand in the program, not in groups
ABOUT = ("username", "first_name", "last_name", "email", "role")
DEPUTY = ("deputy", "deputy_from_on", "deputy_until_on")


@admin.register(Person)
class PersonAdmin(SetUpAdmin, UserAdmin):  # type: ignore[type-arg]
    """The people one manages, as on the page; only a superuser makes others staff or superuser.

    Adding, with depots, and naming deputies have rules of their own on the page People and tokens.
    """

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
        return rows.filter(pk__in=managed_by(request.user).values("pk"))

    def get_readonly_fields(self, request: HttpRequest, obj: Any = None) -> Any:
        access = () if is_superuser(request) else ("is_staff", "is_superuser")
        return (*DEPUTY, *access)

    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Whom somebody else adds here would be in no depot, and so in nobody's hands."""
        return is_superuser(request)
