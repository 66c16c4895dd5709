from django.conf import settings
from django.contrib.auth.models import AbstractUser
from django.db import models
from django.utils.functional import cached_property
from simple_history.models import HistoricalRecords

from fleet.today import newest_day


class Role(models.TextChoices):
    SUPERVISOR = "supervisor"
    MECHANIC = "mechanic"
    CLERK = "clerk"
    STORES = "stores"
    ENGINEER = "engineer"
    VIEWER = "viewer"


class FluidUnit(models.TextChoices):
    LITRES = "L", "litres"
    US_QUARTS = "US qt", "US quarts"


class TemperatureUnit(models.TextChoices):
    CELSIUS = "°C", "°C"
    FAHRENHEIT = "°F", "°F"


class TorqueUnit(models.TextChoices):
    NEWTON_METRES = "N·m", "N·m"
    POUND_FEET = "lbf·ft", "lbf·ft"


class Person(AbstractUser):
    role = models.CharField(max_length=12, choices=Role, default=Role.VIEWER)
    deputy = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.SET_NULL, related_name="deputises_for"
    )
    deputy_from_on = models.DateField(null=True, blank=True)
    deputy_until_on = models.DateField(null=True, blank=True)

    # in which they read sums of fluid, temperatures and torques
    fluid_unit = models.CharField(max_length=5, choices=FluidUnit, default=FluidUnit.LITRES)
    temperature_unit = models.CharField(
        max_length=2, choices=TemperatureUnit, default=TemperatureUnit.CELSIUS
    )
    torque_unit = models.CharField(
        max_length=6, choices=TorqueUnit, default=TorqueUnit.NEWTON_METRES
    )

    history = HistoricalRecords(excluded_fields=["password", "last_login"])

    class Meta(AbstractUser.Meta):
        verbose_name_plural = "persons"

    def __str__(self) -> str:
        return self.get_full_name() or self.username

    @cached_property
    def stands_in_for(self) -> "list[Person]":
        """Whose deputy this person is today, asked once per request."""
        absent = Person.objects.filter(deputy=self, is_active=True).prefetch_related("depots")
        return [person for person in absent if person.is_away()]

    def is_away(self) -> bool:
        """Whether the deputy acts today, by the day at the person's own depots."""
        today = newest_day([depot.zone for depot in self.depots.all()])
        begun = self.deputy_from_on is None or self.deputy_from_on <= today
        return begun and (self.deputy_until_on is None or today <= self.deputy_until_on)


class Token(models.Model):
    """A key for a program or a phone; only its digest is stored."""

    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="tokens")
    label = models.CharField(max_length=80)
    digest = models.CharField(max_length=64, unique=True)
    scopes = models.JSONField(default=list)  # e.g. ["readings:write", "due-dates:read"]
    created_at = models.DateTimeField(auto_now_add=True)
    expires_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True, blank=True)
    last_used_on = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["-created_at"]

    def __str__(self) -> str:
        return f"{self.label} ({self.person})"


class SignInLink(models.Model):
    """A single-use way in for a demo person; only its digest is stored."""

    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="links")
    digest = models.CharField(max_length=64, unique=True)
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return f"link for {self.person}"


class Failures(models.Model):
    """Failed tries to sign in that fall under one count; only the count's digest is stored."""

    digest = models.CharField(max_length=64, unique=True)
    failures = models.PositiveIntegerField(default=0)
    last_at = models.DateTimeField(db_index=True)  # old ones are forgotten
    wait_until = models.DateTimeField()

    class Meta:
        verbose_name_plural = "failures"

    def __str__(self) -> str:
        return f"{self.failures} failures until {self.last_at:%Y-%m-%d %H:%M}"


class SavedView(models.Model):
    """A list as a person likes to see it."""

    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="views")
    page = models.CharField(max_length=40)
    name = models.CharField(max_length=80)
    query = models.CharField(max_length=500)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["person", "page", "name"], name="one_saved_view_per_person_page_and_name"
            )
        ]

    def __str__(self) -> str:
        return f"{self.page}: {self.name}"
