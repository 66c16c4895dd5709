from django.apps import AppConfig


class DashboardConfig(AppConfig):
    name = "fleet.dashboard"
    verbose_name = "Dashboard"
