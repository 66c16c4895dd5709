"""Who reaches the administration pages, and how much of the fleet they see there."""

from typing import Any, ClassVar

from django.contrib import admin
from django.db.models import QuerySet
from django.http import HttpRequest
from simple_history.admin import SimpleHistoryAdmin

from fleet.people.models import Person
from fleet.people.roles import Right, depots_of, may


def is_superuser(request: HttpRequest) -> bool:
    return isinstance(request.user, Person) and request.user.is_superuser


class ByRight:
    """Rights by role instead of Django's permission per table; deleting is a superuser's."""

    right: ClassVar[Right] = Right.SET_UP

    def has_module_permission(self, request: HttpRequest) -> bool:
        return may(request.user, self.right)

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may(request.user, self.right)

    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may(request.user, self.right)

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may(request.user, self.right)

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return is_superuser(request)

    def formfield_for_foreignkey(self, db_field: Any, request: Any, **given: Any) -> Any:
        """Only depots of one's own can be chosen, in the rows below a thing too."""
        field = super().formfield_for_foreignkey(db_field, request, **given)  # type: ignore[misc]
        if db_field.name == "depot" and field is not None:
            field.queryset = depots_of(request.user)
        return field


class Rows(ByRight, admin.TabularInline):  # type: ignore[type-arg]
    """Rows that belong to the thing above them."""

    extra = 0


class RemovableRows(Rows):
    """Rows on which nothing else rests: they may be taken away again."""

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may(request.user, self.right)


class Table(ByRight, admin.ModelAdmin):  # type: ignore[type-arg]
    """Set-up data without a history of its own."""


class SetUpAdmin(ByRight, SimpleHistoryAdmin):  # type: ignore[misc]
    """Set-up data, with the history of every change."""

    depot_path: ClassVar[str] = ""  # look-up from the row to its depot; empty: every depot's

    def get_queryset(self, request: HttpRequest) -> QuerySet[Any]:
        rows: QuerySet[Any] = super().get_queryset(request)
        if not self.depot_path:
            return rows
        return rows.filter(**{f"{self.depot_path}__in": depots_of(request.user)})
