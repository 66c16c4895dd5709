"""Due dates that moved far, and why."""

from django.db import models

from fleet.due.models.schedule import Service
from fleet.vehicles.models import Vehicle


class DueMove(models.Model):
    """A due date that moved by more than a fortnight, as it was noticed. Rows are only added, and
    taken away when nobody asks any more."""

    class Cause(models.TextChoices):
        RECORD = "record"  # another service done is counted from
        DUTY = "duty"  # the duty class is another
        LIMIT = "limit"  # its limits or another rule changed
        CALL = "call"  # somebody called for it, or no more
        USAGE = "usage"  # newer readings show that the vehicle runs more, or less
        SEASON = "season"  # seasons were worked out anew, from all vehicles
        JUDGED = "judged"  # earlier readings count that did not, or no more
        PARTICULARS = "particulars"  # of the vehicle: its depot, type or start of use

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="+", db_index=False)
    service = models.ForeignKey(Service, models.CASCADE, related_name="+", db_index=False)
    from_on = models.DateField()
    to_on = models.DateField()
    cause = models.CharField(max_length=12, choices=Cause)
    noticed_at = models.DateTimeField()

    class Meta:
        indexes = [models.Index(fields=["noticed_at"], name="due_moves_by_instant")]

    def __str__(self) -> str:
        return f"{self.vehicle_id}/{self.service_id} {self.from_on} to {self.to_on}"
