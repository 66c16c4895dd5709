"""Memories of the judge from earlier on: the first reading that comes late fills them."""

import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('readings', '0004_rows_keep_the_unknown_name'),
        ('vehicles', '0007_use_recorded_since'),
    ]

    operations = [
        migrations.CreateModel(
            name='EarlierMemory',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('rate_km_per_day', models.FloatField()),
                ('spread', models.FloatField()),
                ('weight_d', models.FloatField(default=0)),
                ('weight_km', models.FloatField(default=0)),
                ('scatter', models.FloatField(default=1)),
                ('last_id', models.BigIntegerField(default=-1)),
                ('last_km', models.FloatField(null=True)),
                ('last_source', models.SmallIntegerField(default=0)),
                ('last_unit_km', models.FloatField(default=1)),
                ('last_confirmed_km', models.FloatField(default=0)),
                ('last_decided', models.BooleanField(default=False)),
                ('prev_at_d', models.FloatField(null=True)),
                ('prev_km', models.FloatField(null=True)),
                ('prev_weight_d', models.FloatField(null=True)),
                ('prev_weight_km', models.FloatField(null=True)),
                ('accepted', models.PositiveIntegerField(default=0)),
                ('offset_km', models.FloatField(default=0)),
                ('provisional', models.BooleanField(default=False)),
                ('last_at_d', models.FloatField()),
                ('top_km_per_day', models.FloatField()),
                ('version', models.PositiveIntegerField()),
                ('meter', models.ForeignKey(db_index=False, on_delete=django.db.models.deletion.CASCADE, related_name='+', to='vehicles.meter')),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('meter', 'last_at_d'), name='one_earlier_memory_per_meter_and_instant')],
            },
        ),
    ]
