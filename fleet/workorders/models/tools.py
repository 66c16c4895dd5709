"""Tools of a procedure: what each is, what drives it, and what it turns."""

from django.db import models

from fleet.workorders.models.procedures import Procedure


class Tool(models.Model):
    """One thing to fetch before a procedure is begun."""

    class Kind(models.TextChoices):
        TORQUE_WRENCH = "torque wrench"  # tightens only; nothing is loosened with it
        RATCHET = "ratchet or breaker bar"
        ADAPTER = "adapter or extension"
        SOCKET = "socket or bit"
        SPANNER = "spanner"  # turned by hand, by no drive
        JACK = "jack"
        STANDS = "stands"
        RAMPS = "ramps"
        CHOCKS = "chocks"
        SPIRIT_LEVEL = "spirit level"
        LAMP = "lamp"
        PRESSURE_BLEEDER = "pressure bleeder"
        SECOND_PERSON = "second person"
        OTHER = "other"

    procedure = models.ForeignKey(Procedure, models.CASCADE, related_name="tools")
    name = models.CharField(max_length=80)
    size = models.CharField(max_length=60, blank=True)  # as a person reads it
    kind = models.CharField(max_length=24, choices=Kind, default=Kind.OTHER)
    drive = models.CharField(max_length=40, blank=True)  # of a wrench its own; else what drives it
    turns = models.CharField(max_length=40, blank=True)  # drive of the fastener, or the next one's
    least_nm = models.FloatField(null=True, blank=True)  # of a torque wrench; empty: any
    most_nm = models.FloatField(null=True, blank=True)
    raising = models.JSONField(default=list, blank=True)  # only in bays that raise so; empty: all

    class Meta:
        ordering = ["procedure", "name"]
        constraints = [
            models.UniqueConstraint(
                fields=["procedure", "name", "size"], name="one_tool_per_procedure_name_and_size"
            )
        ]

    def __str__(self) -> str:
        return f"{self.name} {self.size}".strip()

    def is_for(self, raising: str) -> bool:
        """Whether it is fetched in a bay that raises the vehicle so."""
        return not self.raising or raising in self.raising
