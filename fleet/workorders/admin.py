"""Procedures and cautions in the administration pages: nothing unsound is stored there either."""

from typing import Any

from django import forms
from django.contrib import admin
from django.db.models import QuerySet
from django.forms.models import BaseInlineFormSet
from django.http import HttpRequest

from fleet.faults import Fault
from fleet.people.roles import depots_of
from fleet.people.setting_up import RemovableRows, SetUpAdmin, Table
from fleet.units import TORQUE_UNITS, torque_in, torque_nm
from fleet.vehicles.models import Powertrain
from fleet.workorders.families import faults
from fleet.workorders.fit import misfits
from fleet.workorders.fluids_in import refuse_unaccepted
from fleet.workorders.models import (
    Caution,
    Fastener,
    LabourRate,
    Material,
    Procedure,
    Raising,
    Step,
    Tool,
    Wrench,
)
from fleet.workorders.recheck_admin import ReCheckAdmin
from fleet.workorders.torque_field import InReadersUnit, TorqueField, for_reader
from fleet.workorders.validate import all_faults
from fleet.workorders.words_field import Listed

__all__ = ["ReCheckAdmin"]

SHOWN_DIGITS = 6  # of a torque brought back into the unit of its source
LISTED = 10  # our choice: faults of other procedures named at once


def _wide(signs: int) -> forms.TextInput:
    return forms.TextInput(attrs={"size": signs})


def _words(choices: Any) -> list[tuple[str, str]]:
    """Choices in the words in which faults speak of them."""
    return [(value, value) for value in choices.values]


def _any_of(choices: Any, text: str) -> forms.MultipleChoiceField:
    return forms.MultipleChoiceField(
        choices=_words(choices), required=False, widget=forms.CheckboxSelectMultiple, help_text=text
    )


# --- procedures ------------------------------------------------------------------------------
class ProcedureForm(InReadersUnit):
    """A procedure's own figures, with their units."""

    wheel_nut_torque_nm = TorqueField("Wheel-nut torque")

    class Meta:
        model = Procedure
        fields = (
            *("service", "family", "edition", "source", "minutes", "refill_l"),
            *("refill_tolerance_low", "refill_tolerance_high", "wheels_removed"),
            *("wheel_nut_torque_nm", "retorque_after_km", "used_fluid_class", "re_check", "note"),
        )
        labels = {
            "minutes": "Labour [min]",
            "refill_l": "Refill [L]",
            "refill_tolerance_low": "Refill less by up to [share]",
            "refill_tolerance_high": "Refill more by up to [share]",
            "retorque_after_km": "Tighten wheels again after [km]",
            "used_fluid_class": "Used fluid, collected as",
            "re_check": "Re-check",
        }


class FastenerForm(forms.ModelForm):  # type: ignore[type-arg]
    """Torque is typed as the source states it, and stored in N·m."""

    torque = forms.FloatField(min_value=0.01, label="Torque, as stated", widget=_wide(6))
    torque_max = forms.FloatField(
        min_value=0.01, required=False, label="Up to, of a range", widget=_wide(6)
    )
    stated_unit = forms.ChoiceField(choices=[(unit, unit) for unit in TORQUE_UNITS], label="Unit")

    class Meta:
        model = Fastener
        fields = (
            *("slug", "name", "torque", "torque_max", "stated_unit", "tolerance", "drive"),
            *("seal", "seal_size", "single_use", "source"),
        )
        widgets = {
            "slug": _wide(14),
            "name": _wide(16),
            "tolerance": _wide(5),
            "drive": _wide(14),
            "seal_size": _wide(20),
            "source": _wide(20),
        }

    def __init__(self, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        row = self.instance
        for name, value_nm in (("torque", row.torque_nm), ("torque_max", row.torque_max_nm)):
            if value_nm is not None:
                self.initial[name] = round(torque_in(value_nm, row.stated_unit), SHOWN_DIGITS)

    def _post_clean(self) -> None:
        super()._post_clean()  # type: ignore[misc]
        unit = self.cleaned_data.get("stated_unit")
        if (
            unit
            and "torque" in self.cleaned_data
            and {"torque", "torque_max", "stated_unit"} & set(self.changed_data)
        ):
            top = self.cleaned_data.get("torque_max")
            self.instance.torque_nm = torque_nm(self.cleaned_data["torque"], unit)
            self.instance.torque_max_nm = None if top is None else torque_nm(top, unit)


class SoundFormSet(BaseInlineFormSet):  # type: ignore[type-arg]
    """The last rows of the page: here the procedure is looked at as it would be stored."""

    def __init__(self, *given: Any, before: list[Any], **named: Any) -> None:
        super().__init__(*given, **named)
        self.before = before  # the rows above it on the page

    def clean(self) -> None:
        super().clean()
        procedure: Procedure = self.instance
        sets = [*self.before, self]
        if procedure.service_id is None or not all(part.is_valid() for part in self.before):
            return
        if any(form.errors for form in self.forms):
            return
        rows = [row for part in sets for row in _kept(part)]
        parts = (
            [row for row in rows if isinstance(row, Step)],
            [row for row in rows if isinstance(row, Fastener)],
            [row for row in rows if isinstance(row, Material)],
        )
        service = procedure.service
        on = (service.vehicle_type.powertrain, service.compartment.kind)
        tools = [row for row in rows if isinstance(row, Tool)]
        found = [
            *faults(procedure, *parts, list(Caution.objects.all()), *on),
            *(wrong.text for wrong in misfits(procedure, *parts, tools)),
        ]
        if found:
            raise forms.ValidationError([f"{text[0].upper()}{text[1:]}." for text in found])
        refused = [text for row in rows if isinstance(row, Material) for text in _refused(row)]
        if refused:
            raise forms.ValidationError(refused)


def _refused(material: Material) -> list[str]:
    """What the compartment does not accept is never planned."""
    if material.item is None or material.item.product is None:
        return []
    try:
        compartment = material.procedure.service.compartment
        refuse_unaccepted(compartment, material.item.product)
    except Fault as fault:
        return [str(fault)]
    return []


def _kept(formset: Any) -> list[Any]:
    """Rows of a formset as they would be stored."""
    gone = set(formset.deleted_forms)
    extra = [form for form in formset.extra_forms if form.has_changed()]
    return [form.instance for form in (*formset.initial_forms, *extra) if form not in gone]


class MaterialForm(forms.ModelForm):  # type: ignore[type-arg]
    kind = forms.ChoiceField(choices=_words(Material.Kind))

    class Meta:
        model = Material
        fields = (
            *("kind", "name", "fastener", "specification", "item"),
            *("quantity_ml", "container_ml", "pieces", "only_when_recorded", "source"),
        )
        labels = {
            "quantity_ml": "Quantity [mL]",
            "container_ml": "Container [mL]",
            "fastener": "Of fastener",
        }
        widgets = {"name": _wide(24), "fastener": _wide(14), "source": _wide(20)}


class StepForm(forms.ModelForm):  # type: ignore[type-arg]
    kind = forms.ChoiceField(choices=_words(Step.Kind))
    points = Listed(required=False, help_text="A record each, with ; between.")

    class Meta:
        model = Step
        fields = (
            *("number", "kind", "text", "under_vehicle", "engine_running", "fastener"),
            *("points", "confirm", "moving_hold", "wait_min", "figure"),
        )
        labels = {"moving_hold": "Before it moves", "wait_min": "Cures for [min]"}
        widgets = {
            "number": _wide(3),
            "text": forms.Textarea(attrs={"rows": 2, "cols": 70}),
            "fastener": _wide(14),
        }


class Fasteners(RemovableRows):
    model = Fastener
    form = FastenerForm


class ToolForm(InReadersUnit):
    kind = forms.ChoiceField(choices=_words(Tool.Kind), initial=Tool.Kind.OTHER)
    raising = _any_of(Raising, "Only in bays that raise the vehicle so; none: all.")
    least_nm, most_nm = TorqueField("Torque from"), TorqueField("Torque to")

    class Meta:
        model = Tool
        fields = ("name", "size", "kind", "drive", "turns", "least_nm", "most_nm", "raising")
        widgets = {"size": _wide(20), "drive": _wide(14), "turns": _wide(18)}


class Tools(RemovableRows):
    model = Tool
    form = ToolForm

    def get_formset(self, request: HttpRequest, obj: Any = None, **named: Any) -> Any:
        return super().get_formset(request, obj, **named | {"form": for_reader(ToolForm, request)})


class Materials(RemovableRows):
    model = Material
    form = MaterialForm


class Steps(RemovableRows):
    model = Step
    form = StepForm
    formset = SoundFormSet


@admin.register(Procedure)
class ProcedureAdmin(SetUpAdmin):
    form = ProcedureForm
    list_display = ("service", "family", "edition", "minutes", "source")
    list_filter = ("family", "service__vehicle_type")
    list_select_related = ("service__vehicle_type",)
    inlines = (Fasteners, Tools, Materials, Steps)

    def get_form(self, request: HttpRequest, *given: Any, **named: Any) -> Any:
        return for_reader(super().get_form(request, *given, **named), request)

    def get_readonly_fields(self, request: HttpRequest, obj: Procedure | None = None) -> Any:
        return () if obj is None else ("service",)

    def _create_formsets(self, request: HttpRequest, obj: Any, change: bool) -> Any:
        """Let the last rows know of those before: a procedure is sound only as a whole."""
        request.formsets_before = []  # type: ignore[attr-defined]
        formsets, inlines = super()._create_formsets(request, obj, change)
        request.formsets_before.extend(formsets[:-1])  # type: ignore[attr-defined]
        return formsets, inlines

    def get_formset_kwargs(
        self, request: HttpRequest, obj: Any, inline: Any, prefix: str
    ) -> dict[str, Any]:
        given: dict[str, Any] = super().get_formset_kwargs(request, obj, inline, prefix)
        if isinstance(inline, Steps):
            given["before"] = request.formsets_before  # type: ignore[attr-defined]
        return given


# --- cautions --------------------------------------------------------------------------------
class CautionForm(forms.ModelForm):  # type: ignore[type-arg]
    """A caution may be changed as long as every procedure keeps what it needs."""

    step_kinds = _any_of(Step.Kind, "Before these steps.")
    raising = _any_of(Raising, "In bays that raise the vehicle so; none: all.")
    families = _any_of(Procedure.Family, "For these families; none: all.")
    powertrains = _any_of(Powertrain, "For vehicles driven so; none: all.")
    used_fluids = Listed(
        required=False,
        help_text="Where what comes out is collected as one of these, with ; between; none: all.",
    )
    only_while = _any_of(Caution.While, "Only where all of this holds; none: always.")
    demands = _any_of(Caution.Demand, "A step that makes it impossible is refused.")
    returns = forms.ChoiceField(
        choices=[("", "as its mark does"), *_words(Caution.Returns)],
        required=False,
        label="Comes again",
    )

    class Meta:
        model = Caution
        fields = (
            *("slug", "text", "step_kinds", "under_vehicle", "engine_running", "wheels_removed"),
            *("raising", "families", "powertrains", "salted_roads", "used_fluids"),
            *("only_while", "demands", "returns", "source"),
        )
        widgets = {"text": forms.Textarea(attrs={"rows": 4, "cols": 80})}

    def clean(self) -> dict[str, Any]:
        given = super().clean() or {}
        if not self.errors:
            for name, value in given.items():
                setattr(self.instance, name, value)
            others = [row for row in Caution.objects.all() if row.pk != self.instance.pk]
            newly = lost([*others, self.instance])
            if newly:
                raise forms.ValidationError(newly)
        return given


def lost(cautions: list[Caution]) -> list[str]:
    """What procedures would lack with these cautions, and do not lack now."""
    now = all_faults()
    found = [
        f"{name}: {text}."
        for name, texts in all_faults(cautions).items()
        for text in texts
        if text not in now.get(name, [])
    ]
    more = [f"… and {len(found) - LISTED} more."] if len(found) > LISTED else []
    return found[:LISTED] + more


@admin.register(Caution)
class CautionAdmin(SetUpAdmin):
    form = CautionForm
    list_display = ("slug", "text", "source")
    search_fields = ("slug", "text")

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """What a procedure needs cannot be taken away."""
        allowed = super().has_delete_permission(request, obj)
        if not allowed or obj is None:
            return allowed
        return not lost([row for row in Caution.objects.all() if row.pk != obj.pk])


# --- wrenches --------------------------------------------------------------------------------
@admin.register(Wrench)
class WrenchAdmin(Table):
    list_display = ("tag", "depot", "calibrated_until_on")
    list_filter = ("depot",)

    def get_queryset(self, request: HttpRequest) -> QuerySet[Any]:
        return super().get_queryset(request).filter(depot__in=depots_of(request.user))


@admin.register(LabourRate)
class LabourRateAdmin(SetUpAdmin):
    list_display = ("depot", "rate_minor_per_h", "source")
    depot_path = "depot"
