"""``sumpwise upload``: odometer readings from a spreadsheet."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

from config.bar import bar

if TYPE_CHECKING:
    from fleet.readings.intake import Options
    from fleet.readings.models import Upload
    from fleet.readings.report import NotAccepted, Report

LISTED = 20  # lines per outcome: our choice


def register(commands: Any) -> None:
    parser = commands.add_parser(
        "upload",
        help="take in a spreadsheet of odometer readings",
        description=(
            "Takes in readings from an .xlsx, .ods or .csv file: a row per reading (vehicle, date, "
            "odometer), or a row per vehicle and a column per date. Again changes nothing."
        ),
    )
    parser.add_argument("file", nargs="?", type=Path, metavar="FILE")
    parser.add_argument(
        "--unit", choices=["km", "mi"], help="of odometers for which the sheet names none"
    )
    parser.add_argument("--depot", metavar="SLUG", help="match vehicles of this depot only")
    parser.add_argument("--dry-run", action="store_true", help="report, but keep nothing")
    parser.add_argument("--resume", action="store_true", help="go on with interrupted uploads")
    parser.add_argument(
        "--withdraw",
        type=int,
        metavar="UPLOAD",
        help="take an upload back as a whole, by the number under which it was reported",
    )
    parser.add_argument("--reason", default="", metavar="TEXT", help="why it is withdrawn")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    from fleet.faults import Fault

    if arguments.file is None and not arguments.resume and arguments.withdraw is None:
        raise Fault("Name the file to take in, or go on with interrupted ones by --resume.")
    reports = list(_reports(arguments))
    for report in reports:
        if arguments.json:
            print(json.dumps(report.as_json(), ensure_ascii=False))
        else:
            print_report(report)
    if not reports:
        print("No upload was interrupted.")
    return 1 if any(report.refused for report in reports) else 0


def _reports(arguments: argparse.Namespace) -> Iterator[Report]:
    from fleet.readings import intake
    from fleet.readings.report import report_of

    if arguments.withdraw is not None:
        yield report_of(_withdrawn(arguments.withdraw, arguments.reason))
    if arguments.resume:
        for upload in _interrupted():
            yield report_of(_complete(upload))
    if arguments.file is None:
        return
    options = _options(arguments)
    with _opened(arguments.file) as file:
        if arguments.dry_run:
            yield intake.dry_run(file, arguments.file.name, _judge, options=options)
            return
        upload = intake.receive(file, arguments.file.name, options=options)
    yield report_of(_complete(upload))


def _withdrawn(upload_id: int, reason: str) -> Upload:
    from django.utils import timezone

    from fleet.faults import Fault
    from fleet.readings.models import Upload
    from fleet.readings.withdraw import withdraw

    upload = Upload.objects.filter(pk=upload_id).first()
    if upload is None:
        raise Fault(f"There is no upload {upload_id}: its page and its report show the number.")
    withdraw(upload, person=None, reason=reason, channel="command", now=timezone.now())
    return _complete(upload)


def _interrupted() -> list[Upload]:
    from fleet.readings.models import Upload

    return list(Upload.objects.exclude(state__in=Upload.ENDED).order_by("id"))


def _options(arguments: argparse.Namespace) -> Options:
    from fleet.faults import Fault
    from fleet.readings.intake import Options
    from fleet.vehicles.models import Depot

    if arguments.depot is None:
        return Options(arguments.unit)
    if not Depot.objects.filter(slug=arguments.depot).exists():
        known = ", ".join(Depot.objects.values_list("slug", flat=True))
        raise Fault(f"There is no depot {arguments.depot}. Known: {known or 'none yet'}.")
    return Options(arguments.unit, (arguments.depot,))


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    from fleet.faults import Fault

    try:
        with path.open("rb") as file:
            yield file
    except (FileNotFoundError, IsADirectoryError, PermissionError) as error:
        raise Fault(f"{path} cannot be opened ({error.strerror}): check the name.") from error


def _judge(vehicle_ids: Any) -> None:
    from django.utils import timezone

    from fleet import chain

    chain.catch_up(timezone.now(), vehicle_ids)


def _complete(upload: Upload) -> Upload:
    from fleet import chain

    seen_before = upload.seen_before
    with bar(upload.name) as tell:
        completed = chain.complete_upload(upload.pk, tell)
    completed.seen_before = seen_before
    return completed


def print_report(report: Report) -> None:
    if report.refused:
        print(f"{report.file} was refused. {report.message}")
        return
    if report.seen_before:
        print(f"{report.file} came before with the same content; nothing was changed.")
    elif report.upload is None:
        print(f"{report.file} was tried only; nothing was kept.")
    totals = ", ".join(f"{number} {outcome}" for outcome, number in report.counts.items())
    number = "" if report.upload is None else f" (upload {report.upload})"
    print(
        f"{report.file}{number}: {report.rows} {'row' if report.rows == 1 else 'rows'}: {totals}."
    )
    if report.message:
        print(report.message)
    ordered = sorted(report.not_accepted, key=lambda row: (row.outcome, row.reason))
    for (outcome, reason), rows in groupby(ordered, key=lambda row: (row.outcome, row.reason)):
        _print_group(outcome, reason, list(rows))
    if report.upload is not None and report.counts.get("held"):
        print("\nTo decide about what is held: sumpwise settle")


def _print_group(outcome: str, reason: str, rows: list[NotAccepted]) -> None:
    cause = f", {reason.replace('_', ' ')}" if reason else ""
    print(f"\n{outcome.capitalize()}{cause} ({len(rows)})")
    for row in rows[:LISTED]:
        vehicle = f" {row.vehicle}:" if row.vehicle else ""
        reading = f" [reading {row.reading}]" if row.reading else ""
        print(f"  {row.place}:{vehicle} {row.message}{reading}")
    if len(rows) > LISTED:
        print(f"  and {len(rows) - LISTED} more; --json lists all of them.")
