"""Copies of the database to change: the rows that the fleet lives by are only ever read."""

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from django.apps import apps
from django.conf import settings

from fleet.copies import snapshot
from fleet.readings import leavings
from fleet.runs.ledger import Progress

NAME = "sumpwise.sqlite3"  # as a data folder has it
# of no use to a forecast, and many or secret
LEFT_OUT = ("admin.LogEntry", "runs.RepeatKey", "people.Token")


@contextmanager
def copies(names: tuple[str, ...], progress: Progress) -> Iterator[list[Path]]:
    """Folders of these names with a copy of the database each; gone after the block."""
    leavings.sweep()
    begins = leavings.prefix(leavings.SUPPOSED)
    folder = Path(tempfile.mkdtemp(dir=settings.DATA_DIR, prefix=begins))
    try:
        folders = [folder / name for name in names]
        for one in folders:
            one.mkdir(mode=0o700)
        first = folders[0] / NAME
        snapshot(first, lambda _: progress(0.0, "copying the fleet"), _unwanted())
        for one in folders[1:]:
            shutil.copy2(first, one / NAME)
        yield folders
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _unwanted() -> list[str]:
    histories = [one._meta.label for one in apps.get_models() if _is_history(one.__name__)]
    return [*LEFT_OUT, *histories]


def _is_history(name: str) -> bool:
    return name.startswith("Historical")
