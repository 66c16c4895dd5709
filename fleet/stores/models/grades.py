"""Tables of viscosity grades, as data with their edition."""

from django.db import models
from django.db.models import Q


class GradeLimit(models.Model):
    """What one part of a grade asks of one property, in one edition of a table."""

    class Property(models.TextChoices):
        KV40 = "kv40", "kinematic viscosity at 40 °C"
        KV100 = "kv100", "kinematic viscosity at 100 °C"
        CCS = "ccs", "cranking viscosity"
        HTHS = "hths", "viscosity at high temperature and high shear"

    table = models.CharField(max_length=40)  # e.g. SAE J300
    edition = models.CharField(max_length=20)  # year, or year and month
    grade = models.CharField(max_length=12)  # one part of a label: 5W, 30, VG 32
    property = models.CharField(max_length=8, choices=Property)
    least = models.FloatField(null=True, blank=True)
    most = models.FloatField(null=True, blank=True)
    least_included = models.BooleanField(default=True)
    most_included = models.BooleanField(default=False)
    unit = models.CharField(max_length=12)
    at_c = models.FloatField()
    beside = models.CharField(max_length=40, blank=True)  # cold parts; "alone": without one
    source = models.CharField(max_length=200)

    class Meta:
        ordering = ["table", "edition", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["table", "edition", "grade", "property", "beside"],
                name="one_limit_per_table_edition_grade_and_property",
            ),
            models.CheckConstraint(
                condition=Q(least__isnull=False) | Q(most__isnull=False),
                name="a_grade_limit_has_a_figure",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.grade} {self.property}, {self.table} {self.edition}"
