from django.apps import AppConfig


class ReadingsConfig(AppConfig):
    name = "fleet.readings"
    verbose_name = "Readings"
