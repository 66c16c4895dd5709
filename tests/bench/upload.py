"""A large sheet of readings: the first time, and the same file again.

The floor reads the sheet in this process and writes its readings, with nothing checked, matched or
judged. Against it stands all CPU of the program, with that of the process that reads sheets: that
one is there beforehand, as in a server that has read a sheet before.
"""

from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import xlsxwriter
from django.utils import timezone
from python_calamine import load_workbook

from fleet import bulk, chain
from fleet.readings import intake
from fleet.readings.models import Reading
from fleet.readings.sheets import open_sheets
from tests.bench import fleet
from tests.bench.measure import measured, report
from tests.bench.night import analyze, empty

READINGS_EACH = 20


def run(rows: int) -> None:
    """Upload twenty readings of each vehicle, after a history that closes the months before."""
    empty()
    fleet.build(rows // READINGS_EACH, 6)
    chain.nightly(fleet.first_of_month_after_last())
    analyze()
    with TemporaryDirectory() as folder:
        path = Path(folder) / "readings.xlsx"
        _write(path, rows)
        with open_sheets(path):
            pass  # from here on the process that reads sheets is there
        with measured() as floor:
            _floor(path)
        with measured() as first:
            upload = intake.receive(path, path.name, None)
            intake.stage(upload)
            vehicles = intake.vehicles_of(upload)
            chain.catch_up(timezone.now(), vehicles)
        with measured() as following:
            upload = chain.complete_upload(upload.pk)
        with measured() as second:
            chain.complete_upload(intake.receive(path, path.name, None).pk)
    print(f"{rows:,} rows: {dict(upload.counts)}")
    whole_s = first.cpu_s + following.cpu_s
    report(f"with the due dates of {len(vehicles):,} vehicles, CPU", whole_s / floor.cpu_s, 4)
    print(f"      until judged and measured: {first.cpu_s / floor.cpu_s:.2f} ×")
    report("the same file again, CPU", second.cpu_s / first.cpu_s, 0.05)
    both = first, following
    report("longest write lock", max(one.longest_transaction_s for one in both), 1, "s")
    print(f"      of it {max(one.longest_transaction_cpu_s for one in both):.2f} s CPU at most")
    print(f"      floor {floor.cpu_s:.2f} s CPU, upload {whole_s:.2f} s, {first.peak_mb:.0f} MB")


def _write(path: Path, rows: int) -> None:
    found = bulk.read(
        "SELECT v.fleet_number, s.last_km FROM vehicles_vehicle v "
        "JOIN usage_usagestate s ON s.vehicle_id = v.id ORDER BY v.id",
        [],
        {"number": "O", "km": "f8"},
    )
    workbook = xlsxwriter.Workbook(path, {"constant_memory": True})
    sheet = workbook.add_worksheet("Readings")
    day = workbook.add_format({"num_format": "yyyy-mm-dd"})
    sheet.write_row(0, 0, ["Vehicle", "Date", "Odometer [km]"])
    first = _midnight(fleet.LAST_ON.item())
    for at in range(rows):
        vehicle, number = divmod(at, READINGS_EACH)
        sheet.write(at + 1, 0, found["number"][vehicle])
        sheet.write_datetime(at + 1, 1, first + timedelta(days=number + 1), day)
        km = float(found["km"][vehicle]) + 90 * (number + 1)
        sheet.write_number(at + 1, 2, round(km, 1))
    workbook.close()


def _midnight(day: object) -> datetime:
    return datetime.fromisoformat(f"{day}T00:00:00")


def _floor(path: Path) -> None:
    """Read the sheet and write its rows, with nothing checked, matched or judged."""
    rows = load_workbook(str(path)).get_sheet_by_index(0).to_python()[1:]
    count = len(rows)
    ids = np.arange(count) // READINGS_EACH + 1
    values = np.array([row[2] for row in rows], dtype=np.float64)
    at = np.datetime64("1990-01-01T12:00:00", "s") + np.arange(count)
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
