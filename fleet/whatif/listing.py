"""Whose questions a person sees: those about depots that are all theirs."""

from collections.abc import Iterable
from datetime import date
from typing import Any

from django.db.models import QuerySet

from fleet.vehicles.models import Depot
from fleet.whatif.models import WhatIf


def seen_with(depots: QuerySet[Any]) -> QuerySet[WhatIf]:
    """Questions about some of these depots and no other, newest first."""
    beyond = WhatIf.objects.filter(depots__in=Depot.objects.exclude(pk__in=depots.values("pk")))
    found = WhatIf.objects.filter(depots__in=depots).exclude(pk__in=beyond.values("pk"))
    return found.select_related("person").distinct().order_by("-id")


def asked_on(asked_id: int) -> date:
    """The day of a question.

    Raises
    ------
    WhatIf.DoesNotExist
        It was deleted.
    """
    found: date = WhatIf.objects.values_list("asked_at__date", flat=True).get(pk=asked_id)
    return found


def moving() -> Iterable[int]:
    """Questions that are to be worked out."""
    states = [WhatIf.State.WAITING, WhatIf.State.WORKING]
    return WhatIf.objects.filter(state__in=states).order_by("id").values_list("pk", flat=True)
