"""Read a file of readings whole, in a process of its own, which ``sheets.py`` starts.

    python -I apart.py FILE FOLDER

Headings, dates and figures are found by many expressions, and a hostile text can make any of them
slow; so all of them run here, under the limits of ``unpack.py``. Entries go to FOLDER/entries as
pickled plain values, chunk by chunk; one JSON object on standard output says what each sheet
holds, or why the file is refused. No settings, database or secrets are known here.
"""

import json
import pickle
import sys
from pathlib import Path
from typing import Any


def main(source: Path, folder: Path) -> int:
    from fleet.readings import unpack
    from fleet.readings.spreadsheet import SpreadsheetFault

    unpack.limit_this_process()
    try:
        answer: dict[str, Any] = {"sheets": write_entries(source, folder)}
    except (unpack.Refused, SpreadsheetFault) as fault:
        answer = {"fault": str(fault)}
    except MemoryError:
        answer = {"fault": unpack.TOO_MUCH_MEMORY}
    print(json.dumps(answer))
    return 0


def write_entries(source: Path, folder: Path) -> list[dict[str, Any]]:
    """Entries of every sheet to the folder; for each sheet its count, and why it has no shape."""
    from fleet.readings import unpack
    from fleet.readings.entries import to_plain
    from fleet.readings.headings import Shapeless
    from fleet.readings.sheets import read_entries, survey_all
    from fleet.readings.spreadsheet import Spreadsheet

    with (folder / "rows").open("wb") as out:
        sheets = unpack.write_rows(source, out)
    surveys = survey_all(Spreadsheet.of(sheets, folder / "rows"))
    with (folder / "entries").open("wb") as out:
        for number, found in enumerate(surveys):
            for entries in read_entries(found):
                pickle.dump((number, to_plain(entries)), out, protocol=5)
    return [
        {
            "count": found.count,
            "message": found.shape.message if isinstance(found.shape, Shapeless) else "",
        }
        for found in surveys
    ]


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    sys.exit(main(Path(sys.argv[1]), Path(sys.argv[2])))
