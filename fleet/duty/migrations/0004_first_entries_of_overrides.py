from django.db import migrations
from django.db.models import Exists, OuterRef

AT_ONCE = 1_000


def begin_history(apps, schema_editor):
    """Overrides of before their history was kept get its first entry."""
    override, told = (
        apps.get_model("duty", name) for name in ("DutyOverride", "HistoricalDutyOverride")
    )
    names = [field.attname for field in override._meta.concrete_fields]
    lacking = override.objects.filter(~Exists(told.objects.filter(id=OuterRef("pk"))))
    told.objects.bulk_create(
        (
            told(history_date=row["created_at"], history_type="+", **row)
            for row in lacking.order_by("pk").values(*names)
        ),
        batch_size=AT_ONCE,
    )


class Migration(migrations.Migration):

    dependencies = [("duty", "0003_criteria_in_force")]

    operations = [migrations.RunPython(begin_history, migrations.RunPython.noop)]
