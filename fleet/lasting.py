"""Parts of answers that stay as they are, and need to be written as JSON only once."""

from collections.abc import Callable
from typing import Any


class Lasting:
    """A value that never changes, with its JSON once that was written.

    Parameters
    ----------
    plain
        Makes plain values of it: dictionaries, sequences, texts, numbers.
    """

    def __init__(self, plain: Callable[[], Any]) -> None:
        self.plain = plain
        self._written: bytes | None = None

    def written(self, write: Callable[[Any], bytes]) -> bytes:
        """Its JSON; every caller writes alike."""
        if self._written is None:
            self._written = write(self.plain())
        return self._written
