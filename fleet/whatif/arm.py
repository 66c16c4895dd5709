"""One arm of a question, in a process whose database is the copy.

    python arm.py FOLDER

FOLDER holds ``sumpwise.sqlite3``, the copy, and ``question.json``. Progress comes out as one JSON
object a line; what was found goes to ``year.pickle``, which only the process that started this one
reads. When that one is gone its end of standard input closes, and this process ends.
"""

import json
import os
import pickle
import sys
import threading
from datetime import date, datetime
from pathlib import Path
from typing import Any

A_FAULT = 4  # no code that the interpreter ends with by itself


def main(folder: Path) -> int:
    """Follow a year on the copy; the exit code is 0, or 4 with a sentence on standard error."""
    threading.Thread(target=_end_with_parent, daemon=True).start()
    import django

    django.setup()
    from fleet.faults import Fault

    try:
        found = _year(json.loads((folder / "question.json").read_text()))
    except Fault as fault:
        print(fault, file=sys.stderr)
        return A_FAULT
    (folder / "year.pickle").write_bytes(pickle.dumps(found, protocol=5))
    return 0


def _year(question: dict[str, Any]) -> object:
    from fleet.vehicles.models import Depot
    from fleet.whatif import year
    from fleet.whatif.rows import understood

    first_on = date.fromisoformat(question["first_on"])
    depots = list(Depot.objects.filter(slug__in=question["depots"]).order_by("slug"))
    rows = question["changes"]
    changes = understood(rows, depots, first_on) if rows else []
    now = datetime.fromisoformat(question["now"])
    return year.live(changes, depots, first_on, now, _tell)


def _tell(share: float, at: str) -> None:
    print(json.dumps({"share": share, "at": at}), flush=True)


def _end_with_parent() -> None:
    os.read(sys.stdin.fileno(), 1)  # nothing is ever sent
    os._exit(3)


if __name__ == "__main__":
    sys.path[0] = str(Path(__file__).resolve().parents[2])
    sys.exit(main(Path(sys.argv[1])))
