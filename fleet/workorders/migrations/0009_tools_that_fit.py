"""What a tool is, its drive and what it turns: read from the words that stand, where they say it.

What they do not say stays empty, and the procedure is named by ``doctor`` until it is entered.
"""

import re

from django.db import migrations, models

KINDS = [
    ("torque wrench", "Torque Wrench"),
    ("ratchet or breaker bar", "Ratchet"),
    ("adapter or extension", "Adapter"),
    ("socket or bit", "Socket"),
    ("spanner", "Spanner"),
    ("jack", "Jack"),
    ("stands", "Stands"),
    ("ramps", "Ramps"),
    ("chocks", "Chocks"),
    ("spirit level", "Spirit Level"),
    ("lamp", "Lamp"),
    ("pressure bleeder", "Pressure Bleeder"),
    ("second person", "Second Person"),
    ("other", "Other"),
]
NAMED = (  # the first that the name holds
    ("torque wrench", "torque wrench"),
    ("ratchet", "ratchet or breaker bar"),
    ("breaker bar", "ratchet or breaker bar"),
    ("adapter", "adapter or extension"),
    ("extension", "adapter or extension"),
    ("socket", "socket or bit"),
    ("bit", "socket or bit"),
    ("spanner", "spanner"),
    ("jack", "jack"),
    ("stands", "stands"),
    ("ramps", "ramps"),
    ("chocks", "chocks"),
    ("spirit level", "spirit level"),
    ("lamp", "lamp"),
    ("pressure bleeder", "pressure bleeder"),
)
SQUARE = re.compile(r"\d/\d in square")
ACROSS = re.compile(r"(\d+) mm")
RANGE = re.compile(r"([\d.]+) to ([\d.]+) N·m")
TURNING = ("socket or bit", "spanner")


def classify(apps, schema_editor):
    for tool in apps.get_model("workorders", "Tool").objects.iterator():
        words = set(re.findall(r"[a-z]+", tool.name.lower()))
        found = [kind for name, kind in NAMED if set(name.split()) <= words]
        if not found:
            continue
        tool.kind = found[0]
        square, across = SQUARE.search(tool.size), ACROSS.search(tool.size)
        tool.drive = square[0] if square else ""
        if tool.kind in TURNING and across:
            tool.turns = f"{across[1]} mm hexagon"
        span = RANGE.search(tool.size)
        if tool.kind == "torque wrench" and span:
            tool.least_nm, tool.most_nm = float(span[1]), float(span[2])
        tool.save(update_fields=["kind", "drive", "turns", "least_nm", "most_nm"])


class Migration(migrations.Migration):
    dependencies = [("workorders", "0008_kinds_of_steps_and_returning_cautions")]

    operations = [
        migrations.AddField(
            "tool", "kind", models.CharField(choices=KINDS, default="other", max_length=24)
        ),
        migrations.AddField("tool", "drive", models.CharField(blank=True, max_length=40)),
        migrations.AddField("tool", "turns", models.CharField(blank=True, max_length=40)),
        migrations.AddField("tool", "least_nm", models.FloatField(blank=True, null=True)),
        migrations.AddField("tool", "most_nm", models.FloatField(blank=True, null=True)),
        migrations.AddField("tool", "raising", models.JSONField(blank=True, default=list)),
        migrations.RunPython(classify, migrations.RunPython.noop, elidable=False),
    ]
