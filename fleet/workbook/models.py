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


class Load(models.Model):
    """A workbook that was loaded, by page or command, with what it changed row by row."""

    name = models.CharField(max_length=200)
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    loaded_at = models.DateTimeField()
    withdrawn_at = models.DateTimeField(null=True)
    withdrawn_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    withdrawn_why = models.CharField(max_length=300, blank=True)
    stays = models.JSONField(default=list)  # of its rows, once withdrawn: sheet, row, key, why
    followed = models.JSONField(default=list)  # depots whose drafts followed, once withdrawn
    drafts = models.PositiveIntegerField(default=0)  # cancelled then

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return self.name

    def count_written(self) -> tuple[int, int]:
        """How many rows it added, and how many it changed."""
        added = models.Count("pk", filter=models.Q(before__isnull=True))
        changed = models.Count("pk", filter=models.Q(before__isnull=False))
        found = self.rows.aggregate(added=added, changed=changed)
        return found["added"], found["changed"]


class LoadedRow(models.Model):
    """A row that a load added or changed, as the book holds rows: `withdraw.as_json`."""

    load = models.ForeignKey(Load, models.CASCADE, related_name="rows")
    sheet = models.CharField(max_length=40)
    number = models.PositiveIntegerField()  # as the spreadsheet numbers it; 0: it follows from one
    row_id = models.BigIntegerField(null=True)  # of one changed; of one added its key finds it
    before = models.JSONField(null=True)  # None: it was added
    after = models.JSONField()

    class Meta:
        ordering = ["load", "id"]

    def __str__(self) -> str:
        return f"{self.load}: {self.sheet}, row {self.number}"
