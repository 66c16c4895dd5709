import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models


def recorded_when_measured(apps, schema_editor):
    """Of results kept before, nobody knows more than when they were measured."""
    results = apps.get_model("due", "CheckResult")
    results.objects.update(recorded_at=models.F("measured_at"))


class Migration(migrations.Migration):
    dependencies = [
        ("due", "0009_why_a_total_stands"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.AddField(
            model_name="checkresult",
            name="recorded_at",
            field=models.DateTimeField(auto_now_add=True, default=django.utils.timezone.now),
            preserve_default=False,
        ),
        migrations.AddField(
            model_name="checkresult",
            name="withdrawn_at",
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="checkresult",
            name="withdrawn_by",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.SET_NULL,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="checkresult",
            name="withdrawn_reason",
            field=models.CharField(blank=True, max_length=300),
        ),
        migrations.RunPython(recorded_when_measured, migrations.RunPython.noop),
    ]
