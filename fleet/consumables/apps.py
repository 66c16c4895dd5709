from typing import Any

from django.apps import AppConfig
from django.db.models.signals import post_delete, post_save


class ConsumablesConfig(AppConfig):
    name = "fleet.consumables"
    verbose_name = "Consumables"

    def ready(self) -> None:
        """Let proposals follow every move and every order, by whichever way it came: the ledger
        stands before this stage and knows nothing of it."""
        from fleet.stores.moves import moved

        moved.connect(_follow_many, dispatch_uid="proposals follow many moves")
        post_save.connect(_follow, sender="stores.StockMove", dispatch_uid="proposals follow moves")
        for signal in (post_save, post_delete):
            signal.connect(_follow, sender="stores.Arrival", dispatch_uid="proposals follow orders")


def _follow(instance: Any, **_: Any) -> None:
    from fleet.consumables.propose import propose
    from fleet.stores.moves import is_held_back

    if not is_held_back(instance.item_id):
        propose([instance.item_id])


def _follow_many(item_ids: set[int], **_: Any) -> None:
    from fleet.consumables.propose import propose

    propose(item_ids)
