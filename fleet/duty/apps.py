from django.apps import AppConfig


class DutyConfig(AppConfig):
    name = "fleet.duty"
    verbose_name = "Duty class"
