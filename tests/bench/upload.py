"""A large sheet of readings: the first time, and the same file again."""

from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import xlsxwriter
from django.utils import timezone
from python_calamine import load_workbook

from fleet import bulk, chain
from fleet.readings import intake
from fleet.readings.models import Reading
from tests.bench import fleet
from tests.bench.measure import measured, report
from tests.bench.night import _analyze, _empty


def run(rows: int) -> None:
    """Upload one row per vehicle, after a history that closes the months before."""
    _empty()
    fleet.build(rows, 6)
    chain.nightly(fleet.first_of_month_after_last())
    _analyze()
    with TemporaryDirectory() as folder:
        path = Path(folder) / "readings.xlsx"
        _write(path, rows)
        with measured() as floor:
            _floor(path)
        with measured() as first:
            upload = chain.complete_upload(intake.receive(path, path.name, None).pk)
        with measured() as second:
            chain.complete_upload(intake.receive(path, path.name, None).pk)
    print(f"{rows:,} rows: {dict(upload.counts)}")
    report("upload against reading and writing alone", first.wall_s / floor.wall_s, 5)
    report("the same file again", second.wall_s / first.wall_s, 0.05)
    report("longest write lock", first.longest_transaction_s, 1, "s")
    print(f"      floor {floor.wall_s:.2f} s, upload {first.wall_s:.2f} s, {first.peak_mb:.0f} MB")


def _write(path: Path, rows: int) -> None:
    found = bulk.read(
        "SELECT v.fleet_number, s.last_km FROM vehicles_vehicle v "
        "JOIN usage_usagestate s ON s.vehicle_id = v.id ORDER BY v.id",
        [],
        {"number": "O", "km": "f8"},
    )
    book = xlsxwriter.Workbook(path, {"constant_memory": True})
    sheet = book.add_worksheet("Readings")
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    sheet.write_row(0, 0, ["Vehicle", "Date", "Odometer [km]"])
    taken = (fleet.LAST_ON + np.timedelta64(7, "D")).item()
    for at in range(rows):
        sheet.write(at + 1, 0, found["number"][at])
        sheet.write_datetime(at + 1, 1, _midnight(taken), day)
        sheet.write_number(at + 1, 2, round(float(found["km"][at]) + 600, 1))
    book.close()


def _midnight(day: object) -> object:
    from datetime import datetime

    return datetime.fromisoformat(f"{day}T00:00:00")


def _floor(path: Path) -> None:
    """Read the sheet and write its rows, with nothing checked, matched or judged."""
    rows = load_workbook(str(path)).get_sheet_by_index(0).to_python()[1:]
    count = len(rows)
    ids = np.arange(1, count + 1)
    values = np.array([row[2] for row in rows], dtype=np.float64)
    at = np.full(count, np.datetime64("1990-01-01T12:00:00", "s"))
    same = {
        name: np.full(count, value, dtype=object)
        for name, value in {
            **{"unit": "km", "source": "demo", "note": "", "verdict": "rejected"},
            **{"reason": "", "fixed": ""},
        }.items()
    }
    flags = dict.fromkeys(("time_known", "provisional", "moves_base"), np.zeros(count, dtype=bool))
    bulk.insert(
        Reading,
        {
            "vehicle_id": ids,
            "meter_id": ids,
            "taken_at": at,
            "value": values,
            "meter_value": values,
            "received_at": np.full(count, np.datetime64(timezone.now().replace(tzinfo=None), "s")),
            **same,
            **flags,
        },
    )
