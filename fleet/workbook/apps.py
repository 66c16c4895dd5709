from typing import Any

from django.apps import AppConfig


class WorkbookConfig(AppConfig):
    name = "fleet.workbook"
    verbose_name = "Workbook"

    def ready(self) -> None:
        """What loads keep names mechanics, and who changed a row since; drafts that rested on one
        withdrawn go once the due dates have followed."""
        from fleet.people.forget import replaced
        from fleet.runs.night import dated

        replaced.connect(_rename, dispatch_uid="loads are renamed")
        dated.connect(_follow, dispatch_uid="drafts of loads withdrawn")


def _rename(person: Any, names: set[str], **_: Any) -> None:
    from fleet.workbook.withdraw import rename

    rename(person, names)


def _follow(actor: Any, depot_ids: Any, before: Any, **_: Any) -> None:
    from fleet.workbook.withdraw import follow

    follow(actor, depot_ids, before)
