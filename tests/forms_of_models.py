"""What a person who enters rows of a stage may leave empty."""

from django.apps import apps


def may_stay_empty(stage: str) -> dict[str, set[str]]:
    """Fields that forms and the workbook do not ask for, by model; without kept histories."""
    found = {}
    for model in apps.get_app_config(stage).get_models():
        fields = {field.name for field in model._meta.fields if field.editable and field.blank}
        if not model.__name__.startswith("Historical"):
            found[model.__name__] = fields - {"id"}
    return {name: fields for name, fields in found.items() if fields}
