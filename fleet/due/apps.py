from django.apps import AppConfig


class DueConfig(AppConfig):
    name = "fleet.due"
    verbose_name = "Due dates"
