"""What a check tells of uploads that do not add up, and of readings that nobody judged."""

import os
import time
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from fleet.readings import leavings
from fleet.readings.leavings import LONGEST_S, is_left, sweep
from fleet.readings.models import Reading, Upload, UploadRow
from fleet.readings.totals import wrong
from fleet.readings.unjudged import unjudged
from tests import scene
from tests.scene import NOW


@pytest.mark.django_db
def test_readings_without_a_verdict_are_told_by_vehicle_with_the_first_of_them() -> None:
    assert list(unjudged()) == []
    scene.readings(scene.van("V-2"), [10_000, 10_700])
    scene.readings(scene.van("V-1"), [10_000])
    assert list(unjudged()) == [
        "V-1: a reading is not judged, since 2026-06-15: run sumpwise nightly.",
        "V-2: 2 readings are not judged, since 2026-06-08: run sumpwise nightly.",
    ]
    Reading.objects.filter(vehicle__fleet_number="V-1").update(verdict="held")
    Reading.objects.filter(taken_at__lt=NOW - timedelta(days=1)).update(verdict="accepted")
    assert list(unjudged()) == [
        "V-2: a reading is not judged, since 2026-06-15: run sumpwise nightly."
    ]


def upload(total: int, counts: dict[str, int], *outcomes: str, state: str = "done") -> Upload:
    made = Upload.objects.create(
        name="a.xlsx", hash=f"{Upload.objects.count()}", size_bytes=1, state=state,
        rows_total=total, counts=counts,
    )  # fmt: skip
    for number, outcome in enumerate(outcomes, 1):
        UploadRow.objects.create(
            upload=made, number=number, sheet="", row=number, raw="[]", outcome=outcome
        )
    return made


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("total", "counts", "outcomes", "said"),
    [
        (2, {"accepted": 1, "held": 1}, ["accepted", "held"], ""),
        (2, {"accepted": 2, "held": 0}, ["accepted", "accepted"], ""),
        (3, {"accepted": 2}, ["accepted", "accepted"], "3 rows in the file, 2 stored"),
        (1, {"accepted": 1}, ["waiting"], "1 rows have no outcome"),
        (2, {"held": 2}, ["held", "accepted"],
         "its totals say 2 held, its rows 1 accepted, 1 held"),
        (0, {}, [], ""),
    ],
)  # fmt: skip
def test_an_upload_whose_rows_and_totals_differ_is_told_with_how(
    total: int, counts: dict[str, int], outcomes: list[str], said: str
) -> None:
    made = upload(total, counts, *outcomes)
    upload(9, {}, state="received")  # not taken in yet: nothing to add up
    assert list(wrong()) == ([f"Upload {made.pk} (a.xlsx): {said}."] if said else [])


def left(folder: Path, process: str, kind: str = "tried", age_s: float = 0.0) -> Path:
    path = folder / f"{kind}-{process}-x7"
    path.write_text("x")
    os.utime(path, (time.time() - age_s,) * 2)
    return path


def test_a_file_is_left_where_its_process_is_gone_or_it_is_a_day_old(tmp_path: Path) -> None:
    mine = leavings.prefix("tried").removeprefix("tried-").removesuffix("-")
    assert not is_left(left(tmp_path, mine))
    assert not is_left(left(tmp_path, mine, age_s=LONGEST_S - 60))
    assert is_left(left(tmp_path, mine, age_s=LONGEST_S + 60))
    assert LONGEST_S == 24 * 3_600
    number, *rest = mine.split("-")
    gone = "-".join([str(2**22 + 5), *rest])  # beyond any process number
    assert is_left(left(tmp_path, gone))


def test_what_is_left_is_swept_and_nothing_else(tmp_path: Path, settings: Any) -> None:
    settings.DATA_DIR = tmp_path
    (tmp_path / "uploads").mkdir()
    mine = leavings.prefix("tried").removeprefix("tried-").removesuffix("-")
    old = 2 * LONGEST_S
    gone = [left(tmp_path, mine, age_s=old), left(tmp_path / "uploads", mine, "arriving", old)]
    stays = [
        left(tmp_path, mine, "supposed"),
        left(tmp_path, mine, "other", old),
        left(tmp_path / "uploads", mine, "kept", old),
    ]
    folder = tmp_path / f"supposed-{mine}-folder"
    folder.mkdir()
    (folder / "inside").write_text("x")
    os.utime(folder, (time.time() - old,) * 2)
    sweep()
    assert [path.exists() for path in gone] == [False, False]
    assert [path.exists() for path in stays] == [True, True, True]
    assert not folder.exists()
