from django.conf import settings
from django.db import models


class Run(models.Model):
    """One piece of scheduled work: it survives the process that was doing it."""

    class State(models.TextChoices):
        WAITING = "waiting"
        RUNNING = "running"
        DONE = "done"
        FAILED = "failed"

    job = models.CharField(max_length=40)
    on = models.DateField()
    part = models.CharField(max_length=60, default="")
    state = models.CharField(max_length=8, choices=State, default=State.WAITING)
    owner = models.CharField(max_length=80, blank=True)
    lease_until = models.DateTimeField(null=True, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)
    started_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    attempts = models.PositiveIntegerField(default=0)
    counts = models.JSONField(default=dict)  # what was read, computed and written
    progress_share = models.FloatField(default=0)
    error = models.TextField(blank=True)

    class Meta:
        ordering = ["-on", "-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["job", "on", "part"], name="one_run_per_job_day_and_part"
            )
        ]
        indexes = [
            models.Index(  # make_up looks for work that lost its owner
                fields=["lease_until"],
                name="runs_unfinished",
                condition=~models.Q(state="done"),
            )
        ]

    def __str__(self) -> str:
        return f"{self.job} {self.on} {self.part}".strip()


class RepeatKey(models.Model):
    """The first answer to a request, given again when the same request is repeated."""

    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="+")
    key = models.CharField(max_length=200)
    request_hash = models.CharField(max_length=64)
    created_at = models.DateTimeField(auto_now_add=True)
    status = models.PositiveSmallIntegerField(null=True)  # empty while the first is running
    body = models.JSONField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["person", "key"], name="one_repeat_key_per_person_and_key"
            )
        ]

    def __str__(self) -> str:
        return self.key
