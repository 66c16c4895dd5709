"""Who acts, by which channel, when: the first argument of everything that changes an order."""

import uuid
from dataclasses import dataclass, field
from datetime import datetime

from fleet.faults import Forbidden
from fleet.people.models import Person
from fleet.people.roles import Right, may
from fleet.vehicles.models import Depot
from fleet.workorders.models import Job, OrderEvent, WorkOrder


@dataclass(frozen=True)
class Actor:
    """One act of one person (or of the program itself)."""

    person: Person | None  # empty: the program
    channel: str  # page, api, command, night
    now: datetime  # when it reached the program
    performed_at: datetime | None = None  # when it happened, as the phone says
    request_id: uuid.UUID = field(default_factory=uuid.uuid4)

    @property
    def at(self) -> datetime:
        """When it happened."""
        return self.performed_at or self.now

    def must(self, right: Right, depot: Depot | int) -> None:
        """Refuse whoever lacks a right at a depot; the program itself may do everything.

        Raises
        ------
        Forbidden
            With the right that is missing.
        """
        if self.person is not None and not may(self.person, right, depot):
            raise Forbidden(f"{self.person} may not {right} here: ask a person who may.")


def note_event(
    actor: Actor,
    order: WorkOrder,
    what: str,
    *,
    job: Job | None = None,
    from_state: str = "",
    to_state: str = "",
    reason: str = "",
) -> OrderEvent:
    """Write the one row of history that a change of an order or a job leaves."""
    return OrderEvent.objects.create(
        order=order,
        job=job,
        what=what,
        from_state=from_state,
        to_state=to_state,
        person=actor.person,
        channel=actor.channel,
        reason=reason,
        request_id=actor.request_id,
        performed_at=actor.at,
    )
