from django.apps import AppConfig


class ConsumablesConfig(AppConfig):
    name = "fleet.consumables"
    verbose_name = "Consumables"
