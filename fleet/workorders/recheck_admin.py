"""Re-checks in the administration pages; points are words with ; between them."""

from typing import Any

from django import forms
from django.contrib import admin

from fleet.due.models import Service
from fleet.people.setting_up import SetUpAdmin
from fleet.workorders.models import ReCheckRule
from fleet.workorders.words_field import Listed


class ReCheckForm(forms.ModelForm):  # type: ignore[type-arg]
    """A rule, with its units; its check has no limits and belongs to no other rule."""

    points = Listed(
        required=False,
        help_text="A record each, with ; between; each wheel: every wheel of the vehicle type.",
    )
    stated_unit = forms.ChoiceField(choices=[("km", "km"), ("mi", "mi")], initial="km")

    class Meta:
        model = ReCheckRule
        fields = (
            *("procedure", "slug", "text", "points", "from_km", "to_km", "stated_unit"),
            *(
                "after_d",
                "after_min",
                "minutes",
                "record",
                "figure",
                "fastener",
                "applies",
                "safety",
            ),
            *("service", "source"),
        )
        labels = {
            "from_km": "Not before [km]",
            "to_km": "At the latest [km]",
            "stated_unit": "Distance unit of the source",
            "after_d": "Within [days]",
            "after_min": "After standing [min]",
            "minutes": "Labour [min]",
            "service": "Makes due",
        }

    def clean(self) -> dict[str, Any]:
        given = super().clean() or {}
        service: Service | None = given.get("service")
        if service is not None and service.limits.exists():
            self.add_error("service", "It has limits of its own: choose a check without any.")
        others = ReCheckRule.objects.exclude(pk=self.instance.pk).filter(service=service)
        if service is not None and others.exists():
            self.add_error("service", "Another rule makes it due: give each rule its own check.")
        procedure = given.get("procedure")
        if (
            service is not None
            and procedure is not None
            and procedure.service.vehicle_type_id != service.vehicle_type_id
        ):
            self.add_error("service", "It is of another vehicle type than the procedure.")
        return given


@admin.register(ReCheckRule)
class ReCheckAdmin(SetUpAdmin):
    form = ReCheckForm
    list_display = ("text", "procedure", "to_km", "after_d", "after_min", "minutes", "safety")
    list_filter = ("safety", "applies")
    search_fields = ("slug", "text")
