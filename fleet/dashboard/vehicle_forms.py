"""Forms by which people enter a reading, or decide on a duty class."""

from datetime import date, datetime, time
from zoneinfo import ZoneInfo

from django import forms

from fleet.duty.models import DutyClass
from fleet.faults import Fault
from fleet.readings.cells import typed_figure
from fleet.readings.enter import Entry, in_meter_unit, noon_at
from fleet.readings.models import Source
from fleet.units import UnitError
from fleet.vehicles.models import Compartment, Meter, Vehicle

__all__ = ["DutyForm", "ReadingForm", "Source"]

UNITS = [("km", "km"), ("mi", "miles"), ("h", "engine hours")]


class ReadingForm(forms.Form):
    value = forms.CharField(max_length=40)
    unit = forms.ChoiceField(choices=UNITS)
    taken_on = forms.DateField()
    taken_time = forms.TimeField(required=False)
    note = forms.CharField(max_length=300, required=False)

    def clean_value(self) -> float:
        try:
            given = typed_figure(self.cleaned_data["value"])
        except UnitError as error:
            raise forms.ValidationError(str(error)) from error
        if given.unit:
            raise forms.ValidationError("Write the number alone and choose its unit beside it.")
        return given.value

    def entry(self, vehicle: Vehicle) -> Entry:
        """The reading to store; the meter is made with the first reading of its kind."""
        given = self.cleaned_data
        unit = given["unit"]
        in_meter_unit(given["value"], unit)
        kind = Meter.Kind.HOURS if unit == "h" else Meter.Kind.KM
        meter, _ = Meter.objects.get_or_create(vehicle=vehicle, kind=kind, defaults={"unit": unit})
        return Entry(
            vehicle_id=vehicle.pk,
            meter_id=meter.pk,
            taken_at=_instant(given["taken_on"], given["taken_time"], vehicle.depot.zone),
            time_known=given["taken_time"] is not None,
            value=given["value"],
            unit=unit,
            note=given["note"],
        )


def _instant(on: date, at: time | None, zone: str) -> datetime:
    if at is None:
        return noon_at(on, zone)
    return datetime.combine(on, at, ZoneInfo(zone))


class DutyForm(forms.Form):
    compartment = forms.ModelChoiceField(Compartment.objects.none())
    duty_class = forms.ChoiceField(choices=DutyClass.choices)
    from_on = forms.DateField()
    until_on = forms.DateField()
    reason = forms.CharField(max_length=300)

    def __init__(self, vehicle: Vehicle, data: object = None) -> None:
        super().__init__(data)  # type: ignore[arg-type]
        field = self.fields["compartment"]
        assert isinstance(field, forms.ModelChoiceField)  # noqa: S101 - declared above
        field.queryset = Compartment.objects.filter(vehicle_type=vehicle.vehicle_type_id)


def faults(form: forms.Form) -> Fault:
    """What is wrong with a form, in one line, about the first field that is."""
    found = []
    for name, texts in form.errors.items():
        label = form.fields[name].label or name.replace("_", " ").capitalize()
        found.append(f"{label}: {' '.join(map(str, texts))}")
    return Fault(" ".join(found), about=next(iter(form.errors), ""))
