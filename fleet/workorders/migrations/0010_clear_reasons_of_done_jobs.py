"""Jobs that are done carry no reason: the form sent the first of its list, chosen by nobody.

What was typed in words is kept as a note. Each job gets an event that says what stood there.
"""

import sys
import uuid
from typing import Any

from django.db import migrations
from django.db.models import Q
from django.utils import timezone

CHANNEL = "program"


def clear(apps: Any, schema_editor: Any) -> None:
    jobs = apps.get_model("workorders", "Job").objects
    events = apps.get_model("workorders", "OrderEvent").objects
    notes = apps.get_model("workorders", "Note").objects
    rows = list(jobs.filter(state="done").exclude(reason="", reason_text="").order_by("pk"))
    now = timezone.now()
    for job in rows:
        if job.reason_text.strip():
            notes.get_or_create(
                client_key=f"words-of-done-job-{job.pk}",
                defaults={
                    "order_id": job.order_id,
                    "text": f"{job.title}: {job.reason_text.strip()}",
                    "person_id": job.ended_by_id,
                    "channel": CHANNEL,
                    "performed_at": job.ended_at or now,
                },
            )
        said = ": ".join(part for part in (job.reason, job.reason_text.strip()) if part)
        events.create(
            order_id=job.order_id,
            job_id=job.pk,
            what="clear reason",
            from_state="done",
            to_state="done",
            channel=CHANNEL,
            reason=f"done, so “{said}” is no reason of it"[:300],
            request_id=uuid.uuid4(),
            performed_at=now,
        )
    jobs.filter(Q(pk__in=[job.pk for job in rows])).update(reason="", reason_text="")
    if rows:
        sys.stdout.write(f"\n    {len(rows)} jobs that are done carried a reason; it is cleared.")


class Migration(migrations.Migration):
    dependencies = [("workorders", "0009_tools_that_fit")]

    operations = [migrations.RunPython(clear, migrations.RunPython.noop, elidable=False)]
