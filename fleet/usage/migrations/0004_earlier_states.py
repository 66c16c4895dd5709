"""States of the usage filter beside the judge's earlier memories."""

import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('usage', '0003_shrunk_seasons'),
        ('vehicles', '0007_use_recorded_since'),
    ]

    operations = [
        migrations.CreateModel(
            name='EarlierState',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('rate_km_per_day', models.FloatField()),
                ('spread', models.FloatField()),
                ('mu', models.FloatField()),
                ('u', models.FloatField()),
                ('p11', models.FloatField()),
                ('p12', models.FloatField()),
                ('p22', models.FloatField()),
                ('sw', models.FloatField()),
                ('se', models.FloatField()),
                ('idle_d', models.FloatField(default=0)),
                ('first_at_d', models.FloatField()),
                ('filtered_at_d', models.FloatField()),
                ('filtered_km', models.FloatField()),
                ('last_at_d', models.FloatField()),
                ('last_km', models.FloatField()),
                ('sum_d', models.FloatField()),
                ('sum_km', models.FloatField()),
                ('readings', models.PositiveIntegerField()),
                ('version', models.PositiveIntegerField()),
                ('season_pk', models.BigIntegerField(default=-1)),
                ('meter', models.ForeignKey(db_index=False, on_delete=django.db.models.deletion.CASCADE, related_name='+', to='vehicles.meter')),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('meter', 'last_at_d'), name='one_earlier_state_per_meter_and_instant')],
            },
        ),
    ]
