"""Open findings are planned for, as those reported later are."""

from datetime import timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db import migrations

SOON_D, FINDING_MIN = 14, 30


def plan_open_findings(apps: Any, schema_editor: Any) -> None:
    finding_rows = apps.get_model("workorders", "Finding").objects
    other_work = apps.get_model("visits", "OtherWork").objects
    rows = finding_rows.filter(closed_at=None, withdrawn_at=None).select_related("vehicle__depot")
    for one in rows.order_by("pk").iterator(chunk_size=500):
        found_on = one.performed_at.astimezone(ZoneInfo(one.vehicle.depot.zone)).date()
        latest_on = {"before use": found_on, "soon": found_on + timedelta(days=SOON_D)}
        other_work.create(
            finding_id=one.pk,
            vehicle_id=one.vehicle_id,
            kind="finding",
            title=f"{one.kind}: {one.text}"[:120],
            minutes=FINDING_MIN,
            latest_on=latest_on.get(one.severity),
            entered_by_id=one.person_id,
            entered_at=one.performed_at,
        )


class Migration(migrations.Migration):
    dependencies = [("visits", "0005_other_work")]
    operations = [migrations.RunPython(plan_open_findings, migrations.RunPython.noop)]
