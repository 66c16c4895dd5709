"""Seasons are drawn to none instead of gated: what a class ran on when is kept."""

from typing import Any

from django.db import migrations, models


def keep_what_was_in_force(apps: Any, _: Any) -> None:
    """Until now the newest row of a class counted, twelve ones where it had no season."""
    apps.get_model("usage", "SeasonIndex").objects.update(took_force=True)


class Migration(migrations.Migration):
    dependencies = [("usage", "0002_standing")]

    operations = [
        migrations.AddField("seasonindex", "took_force", models.BooleanField(default=False)),
        migrations.AddField("seasonindex", "weight", models.FloatField(null=True)),
        migrations.RemoveField("seasonindex", "correlation"),
        migrations.RunPython(keep_what_was_in_force, migrations.RunPython.noop),
    ]
