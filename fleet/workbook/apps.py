from typing import Any

from django.apps import AppConfig


class WorkbookConfig(AppConfig):
    name = "fleet.workbook"
    verbose_name = "Workbook"

    def ready(self) -> None:
        """What loads keep names mechanics, and who changed a row since."""
        from fleet.people.forget import replaced

        replaced.connect(_rename, dispatch_uid="loads are renamed")


def _rename(person: Any, names: set[str], **_: Any) -> None:
    from fleet.workbook.withdraw import rename

    rename(person, names)
