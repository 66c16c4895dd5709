"""What the models of a stage say: what may be left empty, and that it is so in the database."""

from django.apps import apps
from django.core.management import call_command
from django.test import override_settings


def may_stay_empty(stage: str) -> dict[str, set[str]]:
    """Fields that forms and the workbook do not ask for, by model; without kept histories."""
    found = {}
    for model in apps.get_app_config(stage).get_models():
        fields = {field.name for field in model._meta.fields if field.editable and field.blank}
        if not model.__name__.startswith("Historical"):
            found[model.__name__] = fields - {"id"}
    return {name: fields for name, fields in found.items() if fields}


def must_be_migrated(stage: str) -> None:
    """What the models of a stage say of their columns is what its migrations made."""
    with override_settings(MIGRATION_MODULES={}):  # with pytest --nomigrations too
        call_command("makemigrations", stage, check=True, dry_run=True, verbosity=0)
