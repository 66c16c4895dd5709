"""What goes into a compartment, and what stores keep: set-up data, never the ledger."""

from collections.abc import Mapping
from typing import Any, ClassVar

from django.contrib import admin, messages
from django.core.exceptions import ValidationError
from django.forms import BaseInlineFormSet, ModelForm
from django.http import HttpRequest

from fleet.people.setting_up import RemovableRows, SetUpAdmin, Table
from fleet.stores.doubt import PackSaid, pack_doubt, unit_is_kept
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


class PackForms(BaseInlineFormSet):  # type: ignore[type-arg]
    """Packs of one item as they will stand together."""

    def clean(self) -> None:
        super().clean()
        rows = [form for form in self.forms if _stays(form)]
        if sum(bool(form.cleaned_data.get("preferred")) for form in rows) > 1:
            raise ValidationError("Two packs are preferred: choose the one to order.")
        for form in rows:
            self._doubt(form, [other for other in rows if other is not form])

    def _doubt(self, form: Any, others: list[Any]) -> None:
        before = Pack.objects.filter(pk=form.instance.pk).first()
        text = pack_doubt(
            self._said(form.cleaned_data),
            [self._said(other.cleaned_data) for other in others],
            None if before is None else self._said(vars(before)),
        )
        if text and form.has_changed() and not form.cleaned_data.get("why_it_stands"):
            form.add_error("why_it_stands", f"{text} Correct it, or say here why it stands.")

    def _said(self, pack: Mapping[str, Any]) -> PackSaid:
        return PackSaid(self.instance.unit, pack["quantity"], pack.get("price_minor"))


def _stays(form: Any) -> bool:
    """Whether a row is filled in well enough to be held against the others."""
    given = getattr(form, "cleaned_data", None) or {}
    return bool(given.get("quantity")) and not given.get("DELETE")


class Packs(RemovableRows):
    model = Pack
    formset = PackForms


class ItemForm(ModelForm):  # type: ignore[type-arg]
    """An item, whose unit stays once stock has moved."""

    def clean_unit(self) -> str:
        unit: str = self.cleaned_data["unit"]
        before = Item.objects.filter(pk=self.instance.pk).values_list("unit", flat=True).first()
        if before not in (None, unit) and (text := unit_is_kept(self.instance.pk, str(before))):
            raise ValidationError(f"{text[:1].upper()}{text[1:]}.")
        return unit


@admin.register(Item)
class ItemAdmin(SetUpAdmin):
    form = ItemForm
    list_display = ("name", "kind", "unit", "draw", "slug")
    list_filter: ClassVar[tuple[str, ...]] = ("kind", "draw")
    search_fields = ("name",)
    inlines = (Packs,)
