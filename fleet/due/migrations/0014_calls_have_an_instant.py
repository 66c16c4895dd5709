import django.utils.timezone
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("due", "0013_instants_of_calls")]

    operations = [
        migrations.AlterField(
            model_name="dueearlier",
            name="called_at",
            field=models.DateTimeField(default=django.utils.timezone.now),
        ),
    ]
