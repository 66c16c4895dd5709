from typing import Any

from django.apps import AppConfig


class WorkordersConfig(AppConfig):
    name = "fleet.workorders"
    verbose_name = "Work orders"

    def ready(self) -> None:
        """Frozen evidence names who did the work."""
        from fleet.people.forget import replaced

        replaced.connect(_rename, dispatch_uid="evidence is renamed")


def _rename(person: Any, names: set[str], **_: Any) -> None:
    from fleet.workorders.evidence import rename

    rename(person, names)
