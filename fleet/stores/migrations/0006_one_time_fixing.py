"""What breaks on removal is a one-time fixing: the trade's word for a breakage spare."""

from django.db import migrations, models

KINDS = [
    ("fluid", "Fluid"),
    ("filter", "Filter"),
    ("seal", "Seal"),
    ("one-time fixing", "One Time Fixing"),
    ("consumable", "Consumable"),
    ("other", "Other"),
]


def rename(apps, schema_editor):
    for name in ("Item", "HistoricalItem"):
        rows = apps.get_model("stores", name).objects
        rows.filter(kind="breakage spare").update(kind="one-time fixing")


def name_back(apps, schema_editor):
    for name in ("Item", "HistoricalItem"):
        rows = apps.get_model("stores", name).objects
        rows.filter(kind="one-time fixing").update(kind="breakage spare")


class Migration(migrations.Migration):
    dependencies = [("stores", "0005_bring_grade_tables")]

    operations = [
        *(
            migrations.AlterField(name, "kind", models.CharField(choices=KINDS, max_length=16))
            for name in ("item", "historicalitem")
        ),
        migrations.RunPython(rename, name_back, elidable=False),
    ]
