"""What is looked at again after a job, and the records by which it was confirmed."""

from django.core.validators import MinValueValidator
from django.db import models
from simple_history.models import HistoricalRecords

from fleet.due.models import DueEarlier, Service
from fleet.workorders.models.orders import Job
from fleet.workorders.models.procedures import Procedure
from fleet.workorders.models.records import Finding, Record

RE_CHECK_MIN = 15  # to look at some points again, the vehicle at hand; common practice, no source


class ReCheckRule(models.Model):
    """Look again after a job: at which points, after how far or how long, and what to record."""

    class RecordOf(models.TextChoices):
        SEEN = "seen"
        FIGURE = "figure"
        FASTENER = "fastener"

    class Applies(models.TextChoices):
        ALWAYS = "always"
        WHEELS_REMOVED = "wheels removed"
        SEALANT_USED = "sealant used"

    EACH_WHEEL = "each wheel"  # stands for the wheel positions of the vehicle type

    procedure = models.ForeignKey(Procedure, models.CASCADE, related_name="re_check_rules")
    slug = models.SlugField(max_length=40)
    text = models.CharField(max_length=200)
    points = models.JSONField(default=list, blank=True)  # a record each; empty: one record
    from_km = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)])
    to_km = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0.1)])
    stated_unit = models.CharField(max_length=2, default="km")  # of the source: km or mi
    after_d = models.PositiveSmallIntegerField(null=True, blank=True)
    after_min = models.PositiveSmallIntegerField(null=True, blank=True)
    minutes = models.PositiveSmallIntegerField(  # labour, where its check has no procedure
        default=RE_CHECK_MIN, validators=[MinValueValidator(1)]
    )
    record = models.CharField(max_length=8, choices=RecordOf, default=RecordOf.SEEN)
    figure = models.CharField(max_length=40, blank=True)  # slug of a figure of ``service``
    fastener = models.CharField(max_length=40, blank=True)  # slug of the procedure's fastener
    applies = models.CharField(max_length=16, choices=Applies, default=Applies.ALWAYS)
    safety = models.BooleanField(default=False)  # wheels, brakes, steering: an order of its own
    service = models.ForeignKey(Service, models.CASCADE, related_name="re_check_rules")
    source = models.CharField(max_length=300)

    history = HistoricalRecords()

    class Meta:
        ordering = ["procedure", "slug"]
        constraints = [
            models.UniqueConstraint(
                fields=["procedure", "slug"], name="one_re_check_rule_per_procedure_and_slug"
            ),
            models.CheckConstraint(
                condition=models.Q(to_km__isnull=False)
                | models.Q(after_d__isnull=False)
                | models.Q(after_min__isnull=False),
                name="a_re_check_rule_says_when",
            ),
        ]

    def __str__(self) -> str:
        return self.text


class CalledBy(models.Model):
    """What a call follows: the job and its rule, or a finding. One standing call per job and rule:
    a job that is finished again has its row point at the new call."""

    call = models.OneToOneField(DueEarlier, models.CASCADE, related_name="called_by")
    job = models.ForeignKey(Job, models.CASCADE, null=True, blank=True, related_name="calls")
    rule = models.ForeignKey(
        ReCheckRule, models.SET_NULL, null=True, blank=True, related_name="calls"
    )
    finding = models.ForeignKey(
        Finding, models.SET_NULL, null=True, blank=True, related_name="calls"
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["job", "rule"], name="one_call_per_job_and_rule")
        ]

    def __str__(self) -> str:
        return f"{self.call} after {self.job or self.finding}"


class ConfirmRecord(Record):
    """One point of a step or of a re-check, seen or measured."""

    job = models.ForeignKey(Job, models.CASCADE, related_name="confirms")
    rule = models.ForeignKey(
        ReCheckRule, models.SET_NULL, null=True, blank=True, related_name="records"
    )
    step = models.PositiveSmallIntegerField(null=True, blank=True)  # its number in the procedure
    about = models.CharField(max_length=500)  # the words of the step or rule, as they stood
    point = models.CharField(max_length=40, blank=True)
    seen = models.BooleanField()  # as it should be
    value = models.FloatField(null=True, blank=True)
    unit = models.CharField(max_length=12, blank=True)
    temperature_c = models.FloatField(null=True, blank=True)
    too_early = models.BooleanField(default=False)  # kept, but the call stands
    question = models.CharField(max_length=300, blank=True)
    override_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["job", "performed_at", "id"]

    def __str__(self) -> str:
        value = "" if self.value is None else f" {self.value:g} {self.unit}".rstrip()
        about = (self.point or self.about).rstrip(".")
        return f"{about}: {'yes' if self.seen else 'no'}{value}"[:200]
