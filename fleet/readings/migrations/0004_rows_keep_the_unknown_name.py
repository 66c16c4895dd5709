"""Rows keep the name that nobody knew; those that stand have it at the beginning of their message."""

import re
from typing import Any

from django.db import migrations, models

UNKNOWN = "unknown vehicle"
FIRST_QUOTED = re.compile("“([^”]*)”")
AT_ONCE = 2_000


def fill(apps: Any, _: Any) -> None:
    model = apps.get_model("readings", "UploadRow")
    waiting, last = model.objects.filter(outcome=UNKNOWN).order_by("pk"), 0
    while rows := list(waiting.filter(pk__gt=last).only("pk", "message")[:AT_ONCE]):
        for row in rows:
            found = FIRST_QUOTED.match(row.message)
            row.named = found[1][:40] if found else ""
        model.objects.bulk_update(rows, ["named"])
        last = rows[-1].pk


class Migration(migrations.Migration):
    dependencies = [("readings", "0003_confirmed_by_the_next")]

    operations = [
        migrations.AddField("uploadrow", "named", models.CharField(blank=True, max_length=40)),
        migrations.RunPython(fill, migrations.RunPython.noop),
    ]
