"""Give services done on orders the instant their job ended, so that they end the calls before.

Rows that supersede them keep it; documents have none.
"""

from django.db import migrations


def fill(apps, schema_editor):
    done = apps.get_model("due", "ServiceDone").objects
    jobs = apps.get_model("workorders", "Job").objects.exclude(done=None).exclude(ended_at=None)
    for job in jobs.filter(order__where="own workshop").select_related("done"):
        first = job.done
        while first.supersedes_id is not None:
            first = done.get(pk=first.supersedes_id)
        while first is not None:
            done.filter(pk=first.pk, done_at=None).update(done_at=job.ended_at)
            first = done.filter(supersedes=first).first()


class Migration(migrations.Migration):
    dependencies = [
        ("due", "0014_calls_have_an_instant"),
        ("workorders", "0016_withdrawn_at"),
    ]

    operations = [migrations.RunPython(fill, migrations.RunPython.noop)]
