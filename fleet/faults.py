"""What a person can put right."""

from collections.abc import Sequence
from datetime import date


class Fault(Exception):
    """Cannot go on as asked; the text is one sentence: what is wrong, where, what to do.

    Parameters
    ----------
    about
        Which of the given values it is about; empty: none, or all of them.
    """

    exit_code = 1

    def __init__(self, text: str = "", *, about: str = "") -> None:
        super().__init__(text)
        self.about = about


class Forbidden(Fault):
    """This person may not do this; somebody else may."""


class Stale(Fault):
    """Somebody else changed it meanwhile: look again, then decide."""


class Refused(Fault):
    """It stands where this cannot be done to it; something else must happen first."""


class Question(Fault):
    """The program asks back; the same call with a reason goes through.

    Parameters
    ----------
    text
        The question.
    candidates
        Values that may have been meant, most likely first, each with its unit.
    values
        The same as values, where a face can send one back as it is [mL or pieces, minor units of
        money, a day].
    yes
        The reason that a plain yes gives, where no other is wanted; empty: it must be said.
    doubts
        What it is about, where it asks about several things and wants a reason for each.
    """

    def __init__(
        self,
        text: str,
        candidates: Sequence[str] = (),
        *,
        about: str = "",
        yes: str = "",
        doubts: Sequence[str] = (),
        values: Sequence[int | date] = (),
    ) -> None:
        super().__init__(text, about=about)
        self.candidates, self.values = tuple(candidates), tuple(values)
        self.yes = yes
        self.doubts = tuple(doubts)
