"""A large sheet of readings: the first time, and the same file again.

The floor reads the sheet in this process and writes its readings, with nothing checked, matched or
judged, no row of the file kept and no date followed. Against it stands all CPU of the program, with
that of the process that reads sheets: that one is there beforehand, as in a server that has read a
sheet before. Floor and upload are taken in turn, each on the same database as it was before.
"""

from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import xlsxwriter
from django.db import connection, transaction
from django.utils import timezone
from python_calamine import load_workbook

from fleet import bulk, chain
from fleet.readings import intake
from fleet.readings.models import Reading, Upload
from fleet.readings.sheets import open_sheets
from tests.bench import fleet
from tests.bench.measure import alone, best, interleaved, report
from tests.bench.night import a_day_passes, analyze, empty

READINGS_EACH = 20


def run(rows: int) -> None:
    """Upload twenty readings of each vehicle, after a history that closes the months before."""
    empty()
    fleet.build(rows // READINGS_EACH, 6)
    chain.nightly(fleet.first_of_month_after_last())
    alone()
    kept = Kept()
    with TemporaryDirectory() as folder:
        path = Path(folder) / "readings.xlsx"
        _write(path, rows)
        with open_sheets(path):
            pass  # from here on the process that reads sheets is there
        arms = {
            "floor": lambda: _floor(path),
            "judged": lambda: _until_judged(path),
            "whole": lambda: _upload(path),
        }
        found = interleaved(arms, before=kept.put_back)
        again = best(lambda: _upload(path))
    (upload,) = Upload.objects.all()
    print(f"{rows:,} rows: {dict(upload.counts)}")
    floor, judged, whole = found.values()
    vehicles = f"{rows // READINGS_EACH:,} vehicles"
    report(f"with the due dates of {vehicles}, CPU", whole.cpu_s / floor.cpu_s, 4)
    print(f"      until judged and measured: {judged.cpu_s / floor.cpu_s:.2f} ×")
    report("the same file again, CPU", again.cpu_s / judged.cpu_s, 0.05)
    report("longest write lock", whole.longest_transaction_s, 1, "s")
    print(f"      of it {whole.longest_transaction_cpu_s:.2f} s CPU at most")
    for name, cost in found.items():
        print(
            f"      {name}: {cost.cpu_s:.3f} s CPU (two best {cost.spread:.0%} apart),"
            f" {cost.statements} statements, {cost.peak_mb:.0f} MB"
        )


def _until_judged(path: Path) -> None:
    upload = intake.receive(path, path.name)
    intake.stage(upload, at_once=chain.plain_at_once(timezone.now()))
    chain.catch_up(timezone.now(), intake.vehicles_of(upload))


def _upload(path: Path) -> None:
    chain.complete_upload(intake.receive(path, path.name).pk)


class Kept:
    """All rows of the database as they are now, to be put back as often as they are wanted."""

    def __init__(self) -> None:
        tables = connection.introspection.table_names()
        self.kept = {f"kept_{at}": connection.ops.quote_name(n) for at, n in enumerate(tables)}
        with connection.cursor() as cursor:
            for kept, table in self.kept.items():
                cursor.execute(f"CREATE TEMP TABLE {kept} AS SELECT * FROM {table}")  # noqa: S608

    def put_back(self) -> None:
        """Leave nothing behind that the database clears away when it finds the time."""
        with (
            connection.constraint_checks_disabled(),
            transaction.atomic(),
            connection.cursor() as cursor,
        ):
            self._clear(cursor)
            for kept, table in self.kept.items():
                cursor.execute(f"INSERT INTO {table} SELECT * FROM {kept}")  # noqa: S608
        a_day_passes()
        analyze()
        if not bulk.on_postgres():
            with connection.cursor() as cursor:
                cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def _clear(self, cursor: Any) -> None:
        for table in [] if bulk.on_postgres() else self.kept.values():
            cursor.execute(f"DELETE FROM {table}")  # noqa: S608
        if bulk.on_postgres():
            cursor.execute(f"TRUNCATE {', '.join(self.kept.values())}")


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
