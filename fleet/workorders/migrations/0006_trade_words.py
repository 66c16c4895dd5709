"""The trade's words: a breakage spare is a one-time fixing, and a bay is cleaned up."""

from django.db import migrations, models

MATERIALS = [
    ("fluid", "Fluid"),
    ("filter", "Filter"),
    ("seal", "Seal"),
    ("one-time fixing", "One Time Fixing"),
    ("consumable", "Consumable"),
]
STEPS = [
    ("prepare", "Prepare"),
    ("raise", "Raise"),
    ("level vehicle", "Level Vehicle"),
    ("open fill plug", "Open Fill"),
    ("open drain plug", "Open Drain"),
    ("drain", "Drain"),
    ("inspect", "Inspect"),
    ("close drain plug", "Close Drain"),
    ("filter", "Filter"),
    ("fill", "Fill"),
    ("close fill plug", "Close Fill"),
    ("run", "Run"),
    ("wait", "Wait"),
    ("read level", "Read Level"),
    ("bleed", "Bleed"),
    ("firm pedal", "Firm Pedal"),
    ("brake test", "Brake Test"),
    ("measure", "Measure"),
    ("leak check", "Leak Check"),
    ("refit", "Refit"),
    ("lower", "Lower"),
    ("clean up", "Clean Up"),
]
SPARE, FIXING = "breakage spare", "one-time fixing"
AWAY, UP = "clear away", "clean up"


def rename(apps, schema_editor):
    _reword(apps, {SPARE: FIXING, AWAY: UP})


def name_back(apps, schema_editor):
    _reword(apps, {FIXING: SPARE, UP: AWAY})


def _reword(apps, words):
    for name in ("Material", "Step"):
        rows = apps.get_model("workorders", name).objects
        for old, new in words.items():
            rows.filter(kind=old).update(kind=new)
    for name in ("Caution", "HistoricalCaution"):
        cautions = apps.get_model("workorders", name).objects
        for row in cautions.iterator():
            kinds = [words.get(kind, kind) for kind in row.step_kinds]
            if kinds != row.step_kinds:
                cautions.filter(pk=row.pk).update(step_kinds=kinds)


class Migration(migrations.Migration):
    dependencies = [("workorders", "0005_labour_rate")]

    operations = [
        migrations.AlterField(
            "material", "kind", models.CharField(choices=MATERIALS, max_length=16)
        ),
        migrations.AlterField("step", "kind", models.CharField(choices=STEPS, max_length=16)),
        migrations.RunPython(rename, name_back, elidable=False),
    ]
