"""The clock of the demo's past: what the verbs take for now while they do the work of a past day.

Most verbs are given the instant; some rows note by themselves when they were written. Inside
``Clock`` both are those of the day on which it would have happened.
"""

from datetime import datetime
from types import TracebackType
from unittest.mock import patch

from django.utils import timezone


class Clock:
    """Inside, Django's clock shows ``now``, which the story sets on."""

    def __init__(self, now: datetime) -> None:
        self.now = now
        self._set = patch.object(timezone, "now", lambda: self.now)

    def __enter__(self) -> "Clock":
        self._set.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self._set.stop()
