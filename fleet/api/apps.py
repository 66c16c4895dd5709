from django.apps import AppConfig


class ApiConfig(AppConfig):
    name = "fleet.api"
    verbose_name = "API"
