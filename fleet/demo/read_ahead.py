"""Files read before their turn: the process that reads a sheet apart knows nothing of the fleet, so
it can read all of them on a second core while the months before are lived."""

import shutil
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from unittest.mock import patch

from fleet.demo.files import File
from fleet.readings import sheets
from fleet.readings.spreadsheet import run_apart

Found = list[dict[str, Any]]


@contextmanager
def read_ahead(files: Sequence[File]) -> Iterator[None]:
    """Inside, whoever opens one of these files finds it read, or waits until it is."""
    with TemporaryDirectory(prefix="sumpwise-") as folder, ThreadPoolExecutor(1) as reader:

        def apart(number: int, content: bytes) -> tuple[Path, Found]:
            place = Path(folder) / str(number)
            place.mkdir()
            (place / "sheet").write_bytes(content)
            return place, run_apart(sheets.APART, place / "sheet", place)

        ready = {
            file.content: reader.submit(apart, number, file.content)
            for number, file in enumerate(files)
        }

        def found(script: Path, path: Path, target: Path) -> Found:
            if (one := ready.get(path.read_bytes())) is None:
                return run_apart(script, path, target)
            place, told = one.result()
            shutil.copy(place / "entries", target)
            return told

        try:
            with patch.object(sheets, "run_apart", found):
                yield
        finally:
            reader.shutdown(cancel_futures=True)
