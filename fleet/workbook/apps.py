from django.apps import AppConfig


class WorkbookConfig(AppConfig):
    name = "fleet.workbook"
    verbose_name = "Workbook"
