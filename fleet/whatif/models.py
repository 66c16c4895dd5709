"""Questions of the kind "what if", and what was found."""

from django.conf import settings
from django.db import models

from fleet.vehicles.models import Depot


class WhatIf(models.Model):
    """One list of changes, how far it is, and both years as they were worked out."""

    class State(models.TextChoices):
        WAITING = "waiting"
        WORKING = "working"
        DONE = "done"
        FAILED = "failed"

    title = models.CharField(max_length=200)
    changes = models.JSONField()  # objects of what, which, value, from
    depots = models.ManyToManyField(Depot, related_name="+")  # whose vehicles are followed
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )  # empty: by command
    channel = models.CharField(max_length=12)
    asked_at = models.DateTimeField()
    state = models.CharField(max_length=8, choices=State, default=State.WAITING)
    share = models.FloatField(default=0.0)  # of the work that is done, 0 to 1
    at = models.CharField(max_length=120, blank=True)  # what is being done
    as_of_on = models.DateField(null=True)  # the first day that was followed
    result = models.JSONField(default=dict)  # as ``compare.compare`` gives it
    error = models.TextField(blank=True)
    finished_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return self.title

    @property
    def moving(self) -> bool:
        return self.state in (self.State.WAITING, self.State.WORKING)
