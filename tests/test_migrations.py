import pytest
from django.apps import apps
from django.core.management import call_command
from django.db.migrations.loader import MigrationLoader


@pytest.mark.django_db
def test_no_migration_is_missing() -> None:
    call_command("makemigrations", check=True, dry_run=True, verbosity=0)


def test_every_migration_has_a_name_that_says_something() -> None:
    loader = MigrationLoader(None, ignore_no_migrations=True)
    ours = {app.label for app in apps.get_app_configs() if app.name.startswith("fleet.")}
    names = [name for app, name in loader.disk_migrations if app in ours]
    assert names
    assert not [name for name in names if "_auto_" in name]
