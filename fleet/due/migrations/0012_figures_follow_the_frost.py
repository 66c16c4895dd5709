"""A freeze point may follow the climate of the depot; what stands keeps its fixed limits."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("due", "0011_calendar_life_since_a_day")]

    operations = [
        migrations.AddField("checkfigure", "follows_frost", models.BooleanField(default=False))
    ]
