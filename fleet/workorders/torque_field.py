"""A field of the administration pages for a torque, typed in the unit that stands beside it.

It begins in the unit in which whoever looks reads torques, and is kept in N·m.
"""

from typing import Any

from django import forms
from django.http import HttpRequest

from fleet.units import TORQUE_UNITS, torque_in, torque_nm

SHOWN_DECIMALS = 1  # of a torque in another unit than N·m, as on every page


class TorqueWidget(forms.MultiWidget):
    """A figure and the unit that it is in."""

    def __init__(self) -> None:
        self.unit = TORQUE_UNITS[0]  # in which it begins
        figure = forms.NumberInput(attrs={"step": "any", "class": "vIntegerField"})
        choices = [(one, one) for one in TORQUE_UNITS]
        unit = forms.Select(attrs={"aria-label": "Unit"}, choices=choices)
        super().__init__({"": figure, "unit": unit})

    def decompress(self, value: float | None) -> list[Any]:
        return [shown(value, self.unit), self.unit]


class TorqueField(forms.MultiValueField):
    """A torque in any of the units of sources; empty: none."""

    widget = TorqueWidget

    def __init__(self, label: str) -> None:
        figure = forms.FloatField(min_value=0.01, required=False)
        unit = forms.ChoiceField(choices=[(one, one) for one in TORQUE_UNITS], required=False)
        super().__init__((figure, unit), label=label, required=False, require_all_fields=False)

    def compress(self, values: list[Any]) -> float | None:
        if not values or values[0] is None:
            return None
        return torque_nm(values[0], values[1] or TORQUE_UNITS[0])

    def has_changed(self, initial: float | None, data: list[Any] | None) -> bool:
        """Whether another torque stands there than was shown, in whichever unit."""
        figure, unit = data or (None, None)
        was = shown(initial, unit if unit in TORQUE_UNITS else TORQUE_UNITS[0])
        changed: bool = self.fields[0].has_changed(was, figure)
        return changed


def shown(value_nm: float | None, unit: str) -> float | None:
    """A torque as a form begins with it; in N·m to the last digit that is kept."""
    if value_nm is None or unit == TORQUE_UNITS[0]:
        return value_nm
    return round(torque_in(value_nm, unit), SHOWN_DECIMALS)


class InReadersUnit(forms.ModelForm):  # type: ignore[type-arg]
    """A form whose torques begin in a unit, and stay as they are kept where nobody changes them."""

    torque_unit = TORQUE_UNITS[0]

    def __init__(self, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        for field in self.fields.values():
            if isinstance(field, TorqueField):
                field.widget.unit = self.torque_unit

    def clean(self) -> dict[str, Any]:
        given = super().clean() or {}
        for name, field in self.fields.items():
            if isinstance(field, TorqueField) and name in given and name not in self.changed_data:
                given[name] = self.initial.get(name)
        return given


def for_reader(form: Any, request: HttpRequest) -> Any:
    """A class of forms for whoever looks."""
    unit = getattr(request.user, "torque_unit", TORQUE_UNITS[0])
    return type(form.__name__, (form,), {"torque_unit": unit})
