import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("readings", "0001_initial"),
    ]

    operations = [
        migrations.AddField(
            model_name="uploadrow",
            name="hours_reading",
            field=models.ForeignKey(
                db_index=False,
                null=True,
                on_delete=django.db.models.deletion.SET_NULL,
                related_name="+",
                to="readings.reading",
            ),
        ),
    ]
