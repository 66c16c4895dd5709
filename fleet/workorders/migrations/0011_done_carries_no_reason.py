from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("workorders", "0010_clear_reasons_of_done_jobs")]

    operations = [
        migrations.AddConstraint(
            model_name="job",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("state", "done"), _negated=True),
                    models.Q(("reason", ""), ("reason_text", "")),
                    _connector="OR",
                ),
                name="a_done_job_carries_no_reason",
            ),
        ),
    ]
