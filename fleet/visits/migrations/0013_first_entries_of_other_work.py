from django.db import migrations
from django.db.models import Exists, OuterRef

AT_ONCE = 1_000


def begin_history(apps, schema_editor):
    """Work that was made of findings open before gets the first entry of its history."""
    work, told = (
        apps.get_model("visits", name) for name in ("OtherWork", "HistoricalOtherWork")
    )
    names = [field.attname for field in work._meta.concrete_fields]
    lacking = work.objects.filter(~Exists(told.objects.filter(id=OuterRef("pk"))))
    told.objects.bulk_create(
        (
            told(history_date=row["entered_at"], history_type="+", **row)
            for row in lacking.order_by("pk").values(*names)
        ),
        batch_size=AT_ONCE,
    )


class Migration(migrations.Migration):

    dependencies = [("visits", "0012_what_unplanned_work_took")]

    operations = [migrations.RunPython(begin_history, migrations.RunPython.noop)]
