"""Standing weighs less and the next reading may confirm: verdicts are judged again at night."""

from typing import Any

from django.db import migrations, models


def mark_for_replay(apps: Any, _: Any) -> None:
    apps.get_model("readings", "VerdictMemory").objects.update(to_replay=True)


class Migration(migrations.Migration):
    dependencies = [
        ("readings", "0002_uploadrow_hours_reading"),
        ("vehicles", "0003_fleet_numbers_without_slash"),
    ]

    operations = [
        migrations.AddField("verdictmemory", "waiting", models.BooleanField(default=False)),
        migrations.AddField("verdictmemory", "to_replay", models.BooleanField(default=False)),
        migrations.AddIndex(
            "verdictmemory",
            models.Index(
                condition=models.Q(("to_replay", True)),
                fields=["meter"],
                name="memories_to_replay",
            ),
        ),
        migrations.RunPython(mark_for_replay, migrations.RunPython.noop),
    ]
