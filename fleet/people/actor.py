"""Who acts, by which channel, when: the first argument of everything that changes something."""

import uuid
from dataclasses import dataclass, field
from datetime import datetime

from django.db.models import Model

from fleet.faults import Forbidden
from fleet.people.models import Person
from fleet.people.roles import Right, may


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

    def must(self, right: Right, depot: Model | int) -> None:
        """Refuse whoever lacks a right at a depot; the program itself may do everything.

        Raises
        ------
        Forbidden
            With the right that is missing.
        """
        if self.person is not None and not may(self.person, right, depot):
            raise Forbidden(f"{self.person} may not {right} here: ask a person who may.")
