from django.apps import AppConfig


class VehiclesConfig(AppConfig):
    name = "fleet.vehicles"
    verbose_name = "Vehicles"
