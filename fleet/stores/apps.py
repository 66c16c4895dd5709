from django.apps import AppConfig


class StoresConfig(AppConfig):
    name = "fleet.stores"
    verbose_name = "Stores"
