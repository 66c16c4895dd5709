from django.apps import AppConfig


class TrialsConfig(AppConfig):
    name = "fleet.trials"
    verbose_name = "Field trials"
