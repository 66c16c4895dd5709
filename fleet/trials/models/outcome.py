"""What came out of a trial, and what was decided on it."""

from django.conf import settings
from django.db import models

from fleet.due.models import Limit
from fleet.trials.models.set_up import Trial


class TrialResult(models.Model):
    """What a trial shows as of a day. Until its end that is an interim look without a verdict;
    the evaluation at its end is made once and never changed."""

    class State(models.TextChoices):
        INTERIM = "interim"
        FINAL = "final"
        ENDED_EARLY = "ended early"

    trial = models.ForeignKey(Trial, models.CASCADE, related_name="results")
    as_of_on = models.DateField()
    state = models.CharField(max_length=11, choices=State, default=State.INTERIM)
    frozen_at = models.DateTimeField(null=True)  # of the evaluation at the end; empty: interim
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )  # who ended the trial early
    ended_reason = models.CharField(max_length=300, blank=True)
    difference = models.FloatField(null=True)  # tried less usual, on the rating scale
    low = models.FloatField(null=True)
    high = models.FloatField(null=True)
    p_value = models.FloatField(null=True)
    verdict = models.CharField(max_length=200)
    vehicles_needed = models.PositiveIntegerField(null=True)  # of both groups together
    break_even_km = models.FloatField(null=True)
    details = models.JSONField()  # bands, missing data, trends, lab, cost, power

    class Meta:
        ordering = ["trial", "-as_of_on"]
        constraints = [
            models.UniqueConstraint(fields=["trial", "as_of_on"], name="one_result_per_day"),
            models.UniqueConstraint(
                fields=["trial"],
                condition=models.Q(frozen_at__isnull=False),
                name="one_evaluation_at_the_end_of_a_trial",
            ),
            models.CheckConstraint(
                condition=models.Q(state="interim", frozen_at__isnull=True)
                | (~models.Q(state="interim") & models.Q(frozen_at__isnull=False)),
                name="a_verdict_is_frozen_and_an_interim_look_is_not",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.trial} as of {self.as_of_on}: {self.verdict}"


class LongerInterval(models.Model):
    """A supervisor's decision that the tried product may stay in longer, and what it rests on."""

    trial = models.ForeignKey(Trial, models.PROTECT, related_name="longer_intervals")
    limits = models.ManyToManyField(Limit, related_name="+")
    interval_km = models.FloatField()
    reason = models.CharField(max_length=300)
    consent = models.CharField(max_length=300, blank=True)  # the maker's, under warranty
    grounds = models.JSONField()  # each condition and what met it
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    decided_at = models.DateTimeField()

    class Meta:
        ordering = ["-decided_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["trial", "interval_km"], name="one_decision_per_trial_and_interval"
            )
        ]

    def __str__(self) -> str:
        return f"{self.trial}: {self.interval_km:,.0f} km"
