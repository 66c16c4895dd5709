"""What of a visit no order has yet, as an order takes it."""

from dataclasses import dataclass
from typing import Any

from fleet.visits.models import OtherWork, PlannedService


@dataclass(frozen=True)
class Missing:
    """What of a visit no order has yet."""

    rows: list[PlannedService]

    @property
    def works(self) -> list[OtherWork]:
        return [one.work for one in self.rows if one.work]

    @property
    def names(self) -> str:
        return ", ".join(one.name for one in self.rows)

    @property
    def given(self) -> dict[str, Any]:
        """As an order takes it."""
        services = [one.service_id for one in self.rows if one.service_id]
        works = [(str(one)[:120], one.minutes) for one in self.works]
        return {"service_ids": services, "other_work": works}
