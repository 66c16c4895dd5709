from typing import Any

from django.apps import AppConfig
from django.db.models.signals import post_save


class VisitsConfig(AppConfig):
    name = "fleet.visits"
    verbose_name = "Workshop days"

    def ready(self) -> None:
        """Let every finding be planned for, by whichever way it came: what reports findings
        stands before this stage and knows nothing of it."""
        from fleet.people.forget import replaced

        replaced.connect(_rename, dispatch_uid="mechanics are renamed")
        post_save.connect(_follow, sender="workorders.Finding", dispatch_uid="findings are planned")


def _follow(instance: Any, created: bool, raw: bool = False, **_: Any) -> None:
    from fleet.visits.other_work import follow

    if created and not raw:
        follow(instance)


def _rename(person: Any, **_: Any) -> None:
    from fleet.visits.rename import rename

    rename(person)
