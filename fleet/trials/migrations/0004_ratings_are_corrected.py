"""A second rating of a day corrects the first; a value that was asked about says why it stands."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("trials", "0003_one_evaluation_at_the_end")]

    operations = [
        migrations.AddField(
            "rating",
            "corrects",
            models.OneToOneField(
                null=True,
                on_delete=models.PROTECT,
                related_name="corrected_by",
                to="trials.rating",
            ),
        ),
        migrations.AddField(
            "labsample", "why_it_stands", models.CharField(blank=True, max_length=300)
        ),
    ]
