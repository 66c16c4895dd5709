from django.apps import AppConfig


class UsageConfig(AppConfig):
    name = "fleet.usage"
    verbose_name = "Usage"
