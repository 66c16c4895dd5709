from django.db import models
from simple_history.models import HistoricalRecords


class Specification(models.Model):
    """A published requirement that a fluid can claim to meet."""

    slug = models.SlugField(max_length=60, unique=True)
    name = models.CharField(max_length=120)
    source = models.CharField(max_length=200)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class Product(models.Model):
    slug = models.SlugField(max_length=60, unique=True)
    name = models.CharField(max_length=120)
    grade = models.CharField(max_length=20, blank=True)  # as the label prints it, e.g. 75W-90
    kv40_mm2_s = models.FloatField("kinematic viscosity at 40 °C [mm²/s]", null=True, blank=True)
    kv100_mm2_s = models.FloatField("kinematic viscosity at 100 °C [mm²/s]", null=True, blank=True)
    ccs_mpa_s = models.FloatField(
        "cranking viscosity at the grade's temperature [mPa·s]", null=True, blank=True
    )
    hths_mpa_s = models.FloatField(
        "viscosity at high temperature and high shear, 150 °C [mPa·s]", null=True, blank=True
    )
    data_sheet = models.CharField(max_length=200, blank=True)  # where these figures are from
    source = models.CharField(max_length=200)
    specifications = models.ManyToManyField(
        Specification, through="ProductClaim", related_name="products"
    )

    history = HistoricalRecords()

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class ProductClaim(models.Model):
    product = models.ForeignKey(Product, models.CASCADE, related_name="claims")
    specification = models.ForeignKey(Specification, models.PROTECT, related_name="claims")
    source = models.CharField(max_length=200)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["product", "specification"], name="one_claim_per_product_and_specification"
            )
        ]

    def __str__(self) -> str:
        return f"{self.product} claims {self.specification}"


class AcceptedFluid(models.Model):
    """A specification and grade that a compartment accepts."""

    compartment = models.ForeignKey(
        "vehicles.Compartment", models.CASCADE, related_name="accepted_fluids"
    )
    specification = models.ForeignKey(Specification, models.PROTECT, related_name="accepted_in")
    grade = models.CharField(max_length=20, blank=True)
    source = models.CharField(max_length=200)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["compartment", "specification", "grade"],
                name="one_accepted_fluid_per_compartment_specification_and_grade",
            )
        ]

    def __str__(self) -> str:
        return f"{self.specification} {self.grade}".strip()
