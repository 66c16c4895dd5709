"""Workbooks that were sent by page: checked first, loaded when a person says so."""

from django.conf import settings
from django.db import models


class SentBook(models.Model):
    """One workbook file, how far it is, and what was found in it."""

    class State(models.TextChoices):
        RECEIVED = "received"  # to be checked
        CHECKED = "checked"  # nothing stands against it; nothing is loaded yet
        WANTED = "to be loaded"
        LOADED = "loaded"
        REFUSED = "refused"  # for its faults; nothing of it is loaded

    name = models.CharField(max_length=200)
    size_bytes = models.BigIntegerField()
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    received_at = models.DateTimeField(auto_now_add=True)
    state = models.CharField(max_length=12, choices=State, default=State.RECEIVED)
    share = models.FloatField(default=0.0)  # of the work on it that is done, 0 to 1
    at = models.CharField(max_length=80, blank=True)  # what of it is being done
    told = models.JSONField(default=dict)  # as ``fleet.workbook.told.as_json`` gives it
    loaded_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return self.name

    @property
    def moving(self) -> bool:
        return self.state in (self.State.RECEIVED, self.State.WANTED)
