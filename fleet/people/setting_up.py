"""Who reaches the administration pages, and how much of the fleet they see there."""

from typing import Any, ClassVar

from django.contrib import admin
from django.contrib.admin.utils import unquote
from django.contrib.auth import REDIRECT_FIELD_NAME
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.urls import reverse
from django.utils.decorators import method_decorator
from simple_history.admin import SimpleHistoryAdmin

from fleet.people.models import Person
from fleet.people.roles import Right, depots_of, may


def is_superuser(request: HttpRequest) -> bool:
    return isinstance(request.user, Person) and request.user.is_superuser


class ByRight:
    """Rights by role instead of Django's permission per table; deleting is a superuser's."""

    right: ClassVar[Right] = Right.SET_UP

    def get_object(self, request: HttpRequest, object_id: str, from_field: Any = None) -> Any:
        """The row, if it is among those this person sees; else there is nothing here."""
        if not self.has_view_permission(request):
            raise PermissionDenied
        found = super().get_object(request, object_id, from_field)  # type: ignore[misc]
        if found is None:
            raise Http404("There is no such thing within your depots.")
        return found

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


class Removable:
    """Of what nothing else rests on: it may be taken away again."""

    right: ClassVar[Right]

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may(request.user, self.right)


class RemovableRows(Removable, Rows):
    """Rows below another thing that may be taken away again."""


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

    def history_view(self, request: HttpRequest, object_id: str, *given: Any) -> Any:
        """What was, to whoever sees what is."""
        self.get_object(request, unquote(object_id))
        return super().history_view(request, object_id, *given)

    def history_form_view(self, request: HttpRequest, object_id: str, *given: Any) -> Any:
        """A form as it was, to be read: saving it would pass by the rules of the rows beneath."""
        self.get_object(request, unquote(object_id))
        if request.method != "GET":
            raise PermissionDenied("What was is not changed: open the thing itself.")
        return super().history_form_view(request, object_id, *given)

    def revert_disabled(self, request: HttpRequest, obj: Any = None) -> bool:
        return True


class RemovableSetUp(Removable, SetUpAdmin):
    """Set-up data that may be taken away again; its history stays."""


class Site(admin.AdminSite):
    """The administration pages."""

    @method_decorator(login_not_required)
    def login(self, request: HttpRequest, extra_context: Any = None) -> HttpResponse:
        """There is one way in, that of the other pages."""
        index = reverse("admin:index", current_app=self.name)
        return redirect_to_login(request.GET.get(REDIRECT_FIELD_NAME) or index)

    def has_permission(self, request: HttpRequest) -> bool:
        """Whoever is signed in without leave to set up is told so; signing in would not help."""
        if request.user.is_authenticated and not super().has_permission(request):
            raise PermissionDenied("You have no leave to set up: ask a person who manages people.")
        return super().has_permission(request)
