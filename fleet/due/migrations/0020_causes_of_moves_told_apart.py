"""Usage may move a date without a newer reading: what else did is told apart."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("due", "0019_services_without_a_history")]

    operations = [
        migrations.AddField("duestamp", "read_s", models.BigIntegerField(default=0)),
        migrations.AddField("duestamp", "season", models.BigIntegerField(default=0)),
        migrations.AlterField(
            "duemove",
            "cause",
            models.CharField(
                choices=[
                    ("record", "Record"),
                    ("duty", "Duty"),
                    ("limit", "Limit"),
                    ("call", "Call"),
                    ("usage", "Usage"),
                    ("season", "Season"),
                    ("judged", "Judged"),
                    ("particulars", "Particulars"),
                ],
                max_length=12,
            ),
        ),
    ]
