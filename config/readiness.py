"""No part starts on settings that let strangers in, without its database, or with an older one."""

import logging
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from django.core.checks import ERROR, CheckMessage, run_checks
from django.db import OperationalError, connections

from config import database
from fleet.faults import Fault

log = logging.getLogger(__name__)


def findings() -> list[CheckMessage]:
    """What the system checks say, the gravest first."""
    return sorted(run_checks(), key=lambda one: -one.level)


def must_be_safe() -> None:
    """Refuse settings that are an error; say in the log what else is not as it should be.

    Raises
    ------
    Fault
        With the first error and its remedy.
    """
    for one in findings():
        if one.level >= ERROR:
            raise Fault(in_words(one))
        log.warning(in_words(one))


def in_words(one: CheckMessage) -> str:
    return " ".join(filter(None, [str(one.msg), one.hint]))


def start_or_end() -> None:
    """For a part that is started by itself: end the process, in one line, if it must not run."""
    try:
        with or_end():
            must_be_safe()
            database.must_match()
    finally:
        connections.close_all()  # children that are forked open their own


@contextmanager
def or_end() -> Iterator[None]:
    """End the process with the sentence of a fault alone."""
    try:
        yield
    except (Fault, OperationalError) as error:
        text = str(error) if isinstance(error, Fault) else database.in_words(error)
        print(f"sumpwise: {text}", file=sys.stderr, flush=True)
        raise SystemExit(1) from error
