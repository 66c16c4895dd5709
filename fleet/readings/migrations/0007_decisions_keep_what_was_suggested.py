"""What a person typed in place of what was suggested is kept as that, with the suggestion."""

from typing import Any

from django.db import migrations, models
from django.db.models import F, Q

ROUNDED = 0.6  # as a form may have sent a value that it offered [km or h]


def tell_apart(apps: Any, _: Any) -> None:
    """What was suggested stands beside the reading, as far as the judge suggested anything."""
    decisions = apps.get_model("readings", "ReadingDecision").objects
    readings = apps.get_model("readings", "Reading").objects
    meant = readings.filter(pk=models.OuterRef("reading")).values("suggestion")
    decisions.update(suggested=models.Subquery(meant))
    near = Q(value__gt=F("suggested") - ROUNDED, value__lt=F("suggested") + ROUNDED)
    taken = decisions.filter(action="accept suggestion")
    taken.filter(Q(suggested=None) | ~near).update(action="other value")


class Migration(migrations.Migration):
    dependencies = [("readings", "0006_uploads_can_be_withdrawn")]

    operations = [
        migrations.AddField("readingdecision", "suggested", models.FloatField(null=True)),
        migrations.AlterField(
            "readingdecision",
            "action",
            models.CharField(
                choices=[
                    ("accept", "accept as it stands"),
                    ("accept suggestion", "accept the suggestion"),
                    ("other value", "take another value"),
                    ("reject", "reject"),
                    ("meter replaced", "the meter was replaced"),
                ],
                max_length=20,
            ),
        ),
        migrations.RunPython(tell_apart, migrations.RunPython.noop),
    ]
