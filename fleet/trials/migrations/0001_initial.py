
import django.core.validators
import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    initial = True

    dependencies = [
        ('due', '0006_due_soon_index'),
        ('stores', '0002_items_and_ledger'),
        ('vehicles', '0003_fleet_numbers_without_slash'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='Trial',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('slug', models.SlugField(max_length=40, unique=True)),
                ('name', models.CharField(max_length=80)),
                ('question', models.CharField(max_length=120)),
                ('starts_on', models.DateField()),
                ('ends_on', models.DateField()),
                ('blinded', models.BooleanField(default=True)),
                ('assignment', models.CharField(choices=[('random', 'Random'), ('matched pairs', 'Pairs')], max_length=13)),
                ('within_depots', models.BooleanField(default=True)),
                ('seed', models.PositiveIntegerField()),
                ('interval_km', models.FloatField(validators=[django.core.validators.MinValueValidator(1)])),
                ('proposed_interval_km', models.FloatField(blank=True, null=True)),
                ('run_in_km', models.FloatField(default=1000.0)),
                ('run_in_d', models.FloatField(default=30.0)),
                ('smallest_difference', models.FloatField()),
                ('ratings_per_vehicle', models.PositiveSmallIntegerField()),
                ('missing_share', models.FloatField()),
                ('usual_mean', models.FloatField()),
                ('between_sd', models.FloatField()),
                ('within_sd', models.FloatField()),
                ('spreads_source', models.CharField(max_length=120)),
                ('effect_left', models.FloatField()),
                ('needed_per_group', models.PositiveSmallIntegerField(null=True)),
                ('quantity_ml', models.PositiveIntegerField()),
                ('labour_minor', models.PositiveIntegerField(default=0)),
                ('materials_minor', models.PositiveIntegerField(default=0)),
                ('visit_minor', models.PositiveIntegerField(default=0)),
                ('source', models.CharField(max_length=300)),
                ('service', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='trials', to='due.service')),
            ],
            options={
                'ordering': ['-starts_on', 'slug'],
            },
        ),
        migrations.CreateModel(
            name='LongerInterval',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('interval_km', models.FloatField()),
                ('reason', models.CharField(max_length=300)),
                ('consent', models.CharField(blank=True, max_length=300)),
                ('grounds', models.JSONField()),
                ('decided_at', models.DateTimeField()),
                ('limits', models.ManyToManyField(related_name='+', to='due.limit')),
                ('person', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('trial', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='longer_intervals', to='trials.trial')),
            ],
            options={
                'ordering': ['-decided_at'],
            },
        ),
        migrations.CreateModel(
            name='LabProperty',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('slug', models.SlugField(max_length=40)),
                ('name', models.CharField(max_length=80)),
                ('unit', models.CharField(max_length=20)),
                ('low', models.FloatField(blank=True, null=True)),
                ('high', models.FloatField(blank=True, null=True)),
                ('gathers', models.BooleanField(default=False)),
                ('source', models.CharField(max_length=300)),
                ('trial', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='properties', to='trials.trial')),
            ],
            options={
                'verbose_name_plural': 'lab properties',
                'ordering': ['trial', 'slug'],
            },
        ),
        migrations.CreateModel(
            name='ExcludedPeriod',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('from_on', models.DateField()),
                ('until_on', models.DateField()),
                ('reason', models.CharField(max_length=300)),
                ('vehicle', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='vehicles.vehicle')),
                ('trial', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='excluded', to='trials.trial')),
            ],
            options={
                'ordering': ['trial', 'from_on'],
            },
        ),
        migrations.CreateModel(
            name='TrialEvent',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('what', models.CharField(max_length=40)),
                ('detail', models.CharField(blank=True, max_length=300)),
                ('channel', models.CharField(max_length=12)),
                ('request_id', models.UUIDField()),
                ('performed_at', models.DateTimeField()),
                ('person', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('trial', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='events', to='trials.trial')),
            ],
            options={
                'ordering': ['trial', 'id'],
            },
        ),
        migrations.CreateModel(
            name='TrialGroup',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('letter', models.CharField(choices=[('A', 'A'), ('B', 'B')], max_length=1)),
                ('tried', models.BooleanField()),
                ('price_minor_per_l', models.PositiveIntegerField()),
                ('product', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='trial_groups', to='stores.product')),
                ('trial', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='groups', to='trials.trial')),
            ],
            options={
                'ordering': ['trial', 'letter'],
            },
        ),
        migrations.CreateModel(
            name='TrialResult',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('as_of_on', models.DateField()),
                ('difference', models.FloatField(null=True)),
                ('low', models.FloatField(null=True)),
                ('high', models.FloatField(null=True)),
                ('p_value', models.FloatField(null=True)),
                ('verdict', models.CharField(max_length=120)),
                ('vehicles_needed', models.PositiveIntegerField(null=True)),
                ('break_even_km', models.FloatField(null=True)),
                ('details', models.JSONField()),
                ('trial', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='results', to='trials.trial')),
            ],
            options={
                'ordering': ['trial', '-as_of_on'],
            },
        ),
        migrations.CreateModel(
            name='TrialVehicle',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('stratum', models.PositiveSmallIntegerField()),
                ('group', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='vehicles', to='trials.trialgroup')),
                ('trial', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='vehicles', to='trials.trial')),
                ('vehicle', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='trials', to='vehicles.vehicle')),
            ],
            options={
                'ordering': ['trial', 'vehicle__fleet_number'],
            },
        ),
        migrations.CreateModel(
            name='Rating',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('client_key', models.CharField(max_length=64, unique=True)),
                ('channel', models.CharField(max_length=12)),
                ('recorded_at', models.DateTimeField(auto_now_add=True)),
                ('rated_at', models.DateTimeField()),
                ('value', models.PositiveSmallIntegerField(validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(5)])),
                ('temperature_c', models.FloatField(blank=True, null=True)),
                ('warmth', models.CharField(blank=True, choices=[('freezing', 'below 0 °C'), ('cool', '0 to 15 °C'), ('warm', '15 to 30 °C'), ('hot', 'above 30 °C')], max_length=8)),
                ('by', models.CharField(blank=True, max_length=80)),
                ('age_km', models.FloatField(null=True)),
                ('age_d', models.FloatField(null=True)),
                ('person', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('trial_vehicle', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='ratings', to='trials.trialvehicle')),
            ],
            options={
                'ordering': ['trial_vehicle', 'rated_at'],
            },
        ),
        migrations.CreateModel(
            name='LabSample',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('client_key', models.CharField(max_length=64, unique=True)),
                ('channel', models.CharField(max_length=12)),
                ('recorded_at', models.DateTimeField(auto_now_add=True)),
                ('drawn_on', models.DateField()),
                ('value', models.FloatField()),
                ('report', models.CharField(max_length=120)),
                ('person', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('property', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='samples', to='trials.labproperty')),
                ('trial_vehicle', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='samples', to='trials.trialvehicle')),
            ],
            options={
                'ordering': ['property', 'trial_vehicle', 'drawn_on'],
            },
        ),
        migrations.AddConstraint(
            model_name='trial',
            constraint=models.CheckConstraint(condition=models.Q(('ends_on__gt', models.F('starts_on'))), name='a_trial_ends_after_it_starts'),
        ),
        migrations.AddConstraint(
            model_name='trial',
            constraint=models.CheckConstraint(condition=models.Q(('interval_km__gt', models.F('run_in_km'))), name='a_trial_goes_on_after_run_in'),
        ),
        migrations.AddConstraint(
            model_name='longerinterval',
            constraint=models.UniqueConstraint(fields=('trial', 'interval_km'), name='one_decision_per_trial_and_interval'),
        ),
        migrations.AddConstraint(
            model_name='labproperty',
            constraint=models.UniqueConstraint(fields=('trial', 'slug'), name='one_property_per_trial_and_slug'),
        ),
        migrations.AddConstraint(
            model_name='labproperty',
            constraint=models.CheckConstraint(condition=models.Q(('low__isnull', False), ('high__isnull', False), _connector='OR'), name='a_property_has_a_limit'),
        ),
        migrations.AddConstraint(
            model_name='excludedperiod',
            constraint=models.CheckConstraint(condition=models.Q(('until_on__gte', models.F('from_on'))), name='an_excluded_period_ends_after_it_starts'),
        ),
        migrations.AddConstraint(
            model_name='trialgroup',
            constraint=models.UniqueConstraint(fields=('trial', 'letter'), name='one_group_per_letter'),
        ),
        migrations.AddConstraint(
            model_name='trialgroup',
            constraint=models.UniqueConstraint(fields=('trial', 'tried'), name='one_usual_and_one_tried_group'),
        ),
        migrations.AddConstraint(
            model_name='trialgroup',
            constraint=models.UniqueConstraint(fields=('trial', 'product'), name='one_group_per_trial_and_product'),
        ),
        migrations.AddConstraint(
            model_name='trialresult',
            constraint=models.UniqueConstraint(fields=('trial', 'as_of_on'), name='one_result_per_day'),
        ),
        migrations.AddConstraint(
            model_name='trialvehicle',
            constraint=models.UniqueConstraint(fields=('trial', 'vehicle'), name='one_group_per_trial_and_vehicle'),
        ),
        migrations.AddConstraint(
            model_name='rating',
            constraint=models.CheckConstraint(condition=models.Q(('value__gte', 1), ('value__lte', 5)), name='a_rating_lies_between_1_and_5'),
        ),
    ]
