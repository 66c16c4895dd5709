from django.apps import AppConfig


class VisitsConfig(AppConfig):
    name = "fleet.visits"
    verbose_name = "Workshop days"
