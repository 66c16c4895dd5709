"""How long a service takes: the book's minutes, moved by finished jobs as these become many."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor
from statistics import median

BOOK_JOBS = 5  # as so many jobs the book counts; our choice
LEAST_JOBS = 5  # from so many on their minutes count; our choice
STRANGE = 3  # times the book or a part of it, beyond which a record is no job's time; our choice
STEP_MIN = 5  # learnt minutes are whole steps, so that one more job seldom moves them; our choice


@dataclass(frozen=True)
class Labour:
    """Minutes that a service is planned with [min], and what they rest on."""

    minutes: int
    book_min: int
    jobs: int = 0  # that they are learnt from; 0: by the book
    set_aside: int = 0  # finished jobs whose time is too far from the book to be one


def learn(book_min: int, recorded_min: Sequence[float]) -> Labour:
    """Shrink the median of recorded minutes [min] towards the book: (n·median + 5·book)/(n + 5).

    What is above three times the book, or below a third of it, is set aside: typed afterwards, or
    left open over a break. Fewer than five that remain leave the book as it is.
    """
    like = [one for one in recorded_min if book_min <= STRANGE * one <= STRANGE**2 * book_min]
    set_aside = len(recorded_min) - len(like)
    if len(like) < LEAST_JOBS:
        return Labour(book_min, book_min, 0, set_aside)
    shrunk = (len(like) * median(like) + BOOK_JOBS * book_min) / (len(like) + BOOK_JOBS)
    steps = max(1, floor(shrunk / STEP_MIN + 0.5))
    return Labour(steps * STEP_MIN, book_min, len(like), set_aside)
