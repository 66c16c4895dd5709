"""Days of standing; every state goes through its readings again, as the next night finds it."""

from typing import Any

from django.db import migrations, models

NO_VERDICTS = 0  # no memory of verdicts has this version: the state rests on nothing in force


def mark_for_replay(apps: Any, _: Any) -> None:
    apps.get_model("usage", "UsageState").objects.update(version=NO_VERDICTS)


class Migration(migrations.Migration):
    dependencies = [("usage", "0001_initial")]

    operations = [
        migrations.AddField("usagestate", "idle_d", models.FloatField(default=0)),
        migrations.RunPython(mark_for_replay, migrations.RunPython.noop),
    ]
