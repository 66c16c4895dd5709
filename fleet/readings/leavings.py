"""Files that hold something for the length of one piece of work, and what a kill leaves of them."""

import shutil
import time
from contextlib import suppress
from pathlib import Path

from django.conf import settings

from fleet.runs import owner

TRIED, SUPPOSED = "tried", "supposed"  # copies of the database: a file, a folder of them
ARRIVING = "arriving"  # files that are being taken in
LONGEST_S = 86_400.0  # our choice: no work on one file takes a day


def prefix(kind: str) -> str:
    """Begin the name of such a file: what it is, and which process it is of."""
    return f"{kind}-{'-'.join(owner.me().split()[1:])}-"


def sweep() -> None:
    """Delete those of processes that are gone, and those so old that nobody can need them."""
    folder = Path(settings.DATA_DIR)
    begins = (f"{TRIED}-*", f"{SUPPOSED}-*", f"uploads/{ARRIVING}-*")
    for path in [path for pattern in begins for path in folder.glob(pattern)]:
        with suppress(FileNotFoundError):  # another process sweeps as well, or has just ended
            if is_left(path):
                shutil.rmtree(path) if path.is_dir() else path.unlink()


def is_left(path: Path) -> bool:
    """Whether the process that a name begins with is gone, or cannot need it any more."""
    process = " ".join(path.name.split("-")[1:4])
    return owner.is_dead(f"here {process}") or time.time() - path.stat().st_mtime > LONGEST_S
