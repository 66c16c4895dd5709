"""Which fluid a vehicle is to get, where somebody chose it for this vehicle."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from fleet.stores.models import Product
from fleet.vehicles.models import Compartment, Vehicle


class ChosenFluid(models.Model):
    """A product chosen for one compartment of one vehicle, from one day to another.

    A field trial writes it, or a supervisor by hand; only its end is ever changed.
    """

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="chosen_fluids")
    compartment = models.ForeignKey(Compartment, models.CASCADE, related_name="+")
    product = models.ForeignKey(Product, models.PROTECT, related_name="+")
    because = models.CharField(max_length=300)
    source = models.CharField(max_length=300)
    from_on = models.DateField()
    until_on = models.DateField(null=True, blank=True)  # the last day; empty: until ended
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )  # empty: the program
    chosen_at = models.DateTimeField()
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["vehicle", "compartment", "-from_on", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(because="") & ~Q(source=""),
                name="a_chosen_fluid_has_a_reason_and_a_source",
            ),
            models.CheckConstraint(
                condition=Q(until_on=None) | Q(until_on__gte=F("from_on")) | ~Q(ended_at=None),
                name="a_chosen_fluid_ends_after_it_begins",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.product} for {self.vehicle} from {self.from_on}"
