"""What goes into a compartment, and what stores keep: set-up data, never the ledger."""

from typing import Any, ClassVar

from django.contrib import admin, messages
from django.http import HttpRequest

from fleet.people.setting_up import RemovableRows, SetUpAdmin, Table
from fleet.stores.grades import grade_limits, misfits_of
from fleet.stores.models import GradeLimit, Item, Pack, Product, ProductClaim, Specification


@admin.register(Specification)
class SpecificationAdmin(Table):
    list_display = ("name", "slug", "source")
    search_fields = ("name",)


class Claims(RemovableRows):
    model = ProductClaim


@admin.register(Product)
class ProductAdmin(SetUpAdmin):
    list_display = ("name", "grade", "slug", "source")
    search_fields = ("name", "grade")
    inlines = (Claims,)

    def save_model(self, request: HttpRequest, obj: Product, form: Any, change: bool) -> None:
        """Save it, and warn of figures that do not fit the grade: sheets print typical values."""
        super().save_model(request, obj, form, change)
        for found in misfits_of(obj, grade_limits()):
            messages.warning(request, f"{found.text}.")


@admin.register(GradeLimit)
class GradeLimitAdmin(Table):
    list_display = ("grade", "property", "least", "most", "unit", "table", "edition")
    list_filter = ("table", "edition", "property")
    search_fields = ("grade",)


class Packs(RemovableRows):
    model = Pack


@admin.register(Item)
class ItemAdmin(SetUpAdmin):
    list_display = ("name", "kind", "unit", "draw", "slug")
    list_filter: ClassVar[tuple[str, ...]] = ("kind", "draw")
    search_fields = ("name",)
    inlines = (Packs,)
