"""A weather service's file of daily extremes; every file is made up here."""

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import pytest

from fleet.duty.climate import TakenIn, take_in
from fleet.faults import Fault
from fleet.vehicles.models import ClimateMonth
from tests import scene

pytestmark = pytest.mark.django_db

Line = Callable[[date], str]


def written(tmp_path: Path, *lines: str, head: str = "DATE,TMAX,TMIN") -> Path:
    path = tmp_path / "days.csv"
    path.write_text("\n".join([head, *lines, ""]))
    return path


def month(first: date, count: int, line: Line) -> list[str]:
    return [line(first + timedelta(days=at)) for at in range(count)]


def march(count: int = 31, extremes: str = "156,32") -> list[str]:
    return month(date(2025, 3, 1), count, lambda on: f"{on},{extremes}")


def taken(path: Path) -> TakenIn:
    return take_in(path, scene.depot())


def test_tenths_of_a_degree_become_the_mean_of_the_month(tmp_path: Path) -> None:
    found = taken(written(tmp_path, *march()))
    row = ClimateMonth.objects.get()
    assert (row.year, row.month, row.depot.slug) == (2025, 3, "plain")
    assert (row.mean_daily_max_c, row.mean_daily_min_c) == (15.6, 3.2)
    assert row.source == "daily extremes, file days.csv, 2025-03-01 to 2025-03-31"
    assert (found.tenths, found.months[0].outcome) == (True, "new")


@pytest.mark.parametrize("extremes", ["16,3", "16.0,3.0", " 16 , 3 "])
def test_whole_degrees_stay_as_they_are(tmp_path: Path, extremes: str) -> None:
    taken(written(tmp_path, *march(extremes=extremes)))
    row = ClimateMonth.objects.get()
    assert (row.mean_daily_max_c, row.mean_daily_min_c) == (16, 3)


def test_other_columns_a_station_and_quotes_are_no_hindrance(tmp_path: Path) -> None:
    lines = month(
        date(2025, 3, 1), 31, lambda on: f'"X0000001","{on}","0","  156",",,T","   32",",,T"'
    )
    head = '"STATION","DATE","PRCP","TMAX","TMAX_ATTRIBUTES","TMIN","TMIN_ATTRIBUTES"'
    assert "station X0000001" in taken(written(tmp_path, *lines, head=head)).source


def test_days_may_be_missed_in_any_usual_way(tmp_path: Path) -> None:
    gaps = ["2025-03-27,,", "2025-03-28,-9999,-9999", "2025-03-29,NA,NA", "2025-03-30,9999,9999"]
    found = taken(written(tmp_path, *march(26), *gaps))
    assert (found.months[0].days, found.months[0].mean_daily_max_c) == (26, 15.6)


def test_a_month_with_fewer_than_twenty_days_is_refused_and_the_others_kept(
    tmp_path: Path,
) -> None:
    april = month(date(2025, 4, 1), 19, lambda on: f"{on},200,80")
    found = taken(written(tmp_path, *march(), *april))
    assert [one.outcome for one in found.months] == ["new", "refused"]
    assert found.months[1].message == "19 days with TMAX and TMIN, fewer than 20"
    assert ClimateMonth.objects.count() == 1


def test_the_same_file_again_changes_nothing_and_a_better_one_replaces(tmp_path: Path) -> None:
    taken(written(tmp_path, *march()))
    assert taken(written(tmp_path, *march())).months[0].outcome == "unchanged"
    assert taken(written(tmp_path, *march(extremes="158,32"))).months[0].outcome == "changed"
    assert ClimateMonth.objects.get().mean_daily_max_c == 15.8


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (march(19), "No month of the file has 20 days"),
        ([], "no day below the headings"),
        ([*march(), "2025-03-04,156,32"], "Row 33 gives 2025-03-04 once more, after row 5"),
        ([*march(), "2110-01-01,156,32"], "lies in the future"),
        ([*march(), "2025-04-01,32,156"], "Row 33: TMAX lies below TMIN"),
        ([*march(), "2025-04-01,mild,32"], "Row 33: TMAX is no number"),
        ([*march(), "soon,156,32"], "Row 33: DATE holds “soon”, which is no date"),
        (march(extremes="95,71"), "TMAX of 95 °C cannot be"),  # these are °F
    ],
)
def test_what_cannot_be_is_refused_with_its_row(
    tmp_path: Path, lines: list[str], words: str
) -> None:
    with pytest.raises(Fault, match=words):
        taken(written(tmp_path, *lines))
    assert not ClimateMonth.objects.exists()


def test_a_file_of_two_stations_asks_for_one(tmp_path: Path) -> None:
    lines = [f"{name},{line}" for name in ("A", "B") for line in march()]
    with pytest.raises(Fault, match="holds 2 stations"):
        taken(written(tmp_path, *lines, head="STATION,DATE,TMAX,TMIN"))


def test_a_file_without_the_columns_says_which_it_needs(tmp_path: Path) -> None:
    with pytest.raises(Fault, match="DATE, TMAX and TMIN"):
        taken(written(tmp_path, "2025-03-01,156,32", head="Day,Warm,Cold"))
