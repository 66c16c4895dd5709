"""The program itself as an application of Django, for the sake of its system checks."""

from django.apps import AppConfig


class ProgramConfig(AppConfig):
    name = "config"
    verbose_name = "program"

    def ready(self) -> None:
        from config import checks  # noqa: F401  # it registers them
