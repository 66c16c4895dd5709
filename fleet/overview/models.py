"""When each person last looked."""

from django.conf import settings
from django.db import models


class LastSeen(models.Model):
    """When a person last looked at the overview, and since when they are told what happened."""

    person = models.OneToOneField(
        settings.AUTH_USER_MODEL, models.CASCADE, primary_key=True, related_name="+"
    )
    seen_at = models.DateTimeField()  # within some minutes
    since_at = models.DateTimeField(null=True)  # the visit before this one; empty: there was none

    def __str__(self) -> str:
        return f"{self.person} {self.seen_at:%Y-%m-%d %H:%M}"
