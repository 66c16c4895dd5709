from django.apps import AppConfig


class WorkordersConfig(AppConfig):
    name = "fleet.workorders"
    verbose_name = "Work orders"
