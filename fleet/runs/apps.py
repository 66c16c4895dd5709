from django.apps import AppConfig


class RunsConfig(AppConfig):
    name = "fleet.runs"
    verbose_name = "Runs"
