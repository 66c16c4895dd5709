from django.apps import AppConfig


class OverviewConfig(AppConfig):
    name = "fleet.overview"
    verbose_name = "Overview"
