"""The night on a large fleet: everything changed, nothing changed, a few changed.

The first night of a week works the weeks ahead out anew; it is printed and has no mark.
"""

import math
from collections import Counter
from collections.abc import Callable
from datetime import date, timedelta

import numpy as np
from django.db import connection

from fleet import bulk, chain
from fleet.due import forecast
from fleet.due.models import DueDate, DueStamp
from fleet.due.rules import gather_rules
from fleet.usage.measure import STATE_COLUMNS
from fleet.vehicles.models import Vehicle
from tests.bench import asked, fleet
from tests.bench.measure import MOST_ROUNDS, Cost, alone, interleaved, measured, report

SAMPLE = 40  # vehicles of the per-vehicle loop
NIGHTS, SHARE = 7, 0.03  # ordinary ones, and the vehicles that have a new reading
OWN_STATEMENTS = 2  # of the measurement itself
BUILT_WITHIN_S = 180
MONDAY = 0
FEW = 12  # vehicles, one of each type at each depot
MANY, ROUNDS_OF_MANY = 30_000, 2  # so many vehicles are quiet enough; a third round takes minutes


def run(vehicles: int, weeks: int = 8) -> None:
    """Build a tenth of the fleet, then all of it, and hold the night to its marks."""
    alone()
    fixed_s = _fixed_s(weeks)
    small = _costs(vehicles // 10, weeks, fixed_s)
    large = _costs(vehicles, weeks, fixed_s)
    exponent = math.log10(large["everything"].cpu_s / small["everything"].cpu_s)
    report("CPU exponent from a tenth to all", exponent, 1.05, "")


def _costs(vehicles: int, weeks: int, fixed_s: float) -> dict[str, Cost]:
    empty()
    print(f"{vehicles:,} vehicles × {len(fleet.SERVICES)} services")
    with measured() as built:
        fleet.build(vehicles, weeks)
    report("building the fleet, CPU", built.cpu_s, BUILT_WITHIN_S, "s")
    on = fleet.first_of_month_after_last()
    with measured() as first:
        chain.nightly(on)
    print(f"      first night: {first.cpu_s:.1f} s CPU, {first.peak_mb:.0f} MB", flush=True)
    analyze()
    questions = asked.statements(on)
    arms: dict[str, Callable[[], object]] = {
        "floor all": _floor_all,
        "everything": lambda: _everything(on),
        "floor none": lambda: asked.ask(questions),
        "nothing": lambda: chain.nightly(on, again=True),
    }
    found = interleaved(arms, ROUNDS_OF_MANY if vehicles > MANY else MOST_ROUNDS, a_day_passes)
    asked.hold(questions)
    chunks = math.ceil(vehicles / forecast.VEHICLES_AT_ONCE)
    _report(found, chunks)
    _nothing(found, fixed_s)
    _ordinary(on, vehicles, found)
    _loop(vehicles, found["everything"])
    return found


def _report(found: dict[str, Cost], chunks: int) -> None:
    everything = found["everything"]
    report("everything changed, CPU", everything.cpu_s / found["floor all"].cpu_s, 1.5)
    report("memory above idle", everything.peak_mb, 128, "MB")
    report("statements", everything.statements - OWN_STATEMENTS, 14 * chunks + 30, "")
    for name, cost in found.items():
        spread = f"two best {cost.spread:.0%} apart"
        print(
            f"      {name}: {cost.wall_s:.2f} s, {cost.cpu_s:.3f} s CPU ({spread}),"
            f" {cost.statements} statements, {cost.peak_mb:.0f} MB"
        )


def _nothing(found: dict[str, Cost], fixed_s: float) -> None:
    """What a night takes whatever the fleet is its statements, planned and sent, which in a small
    fleet outweigh the reading of a few rows: so what the fleet adds to them stands beside."""
    nothing, floor = found["nothing"].cpu_s, found["floor none"].cpu_s
    report("nothing changed, CPU", nothing / floor, 1.3)
    over = f"nothing changed, CPU beyond the {1000 * fixed_s:.0f} ms of a night over {FEW} vehicles"
    report(over, max(nothing - fixed_s, 0.0) / floor, 1.3)


def _fixed_s(weeks: int) -> float:
    """CPU of a night over a few vehicles of which nothing changed."""
    empty()
    fleet.build(FEW, weeks)
    on = fleet.first_of_month_after_last()
    chain.nightly(on)
    analyze()
    again = {"few": lambda: chain.nightly(on, again=True)}
    return min(interleaved(again)["few"].cpu_s for _ in range(3))


def _everything(on: date) -> None:
    """Every row's inputs differ from what is stored, so every row is computed and written."""
    with connection.cursor() as cursor:
        cursor.execute("UPDATE due_duestamp SET rules = rules + 1")
        cursor.execute(f"UPDATE due_duedate SET {_unlike()}")  # noqa: S608
    chain.nightly(on, again=True)


def _unlike() -> str:
    """What is changed of each row before it is written: a column, and one that indexes hold."""
    day_before = "sort_on - 1" if bulk.on_postgres() else "date(sort_on, '-1 day')"
    return f"inputs_hash = inputs_hash / 2, sort_on = {day_before}"


def _floor_all() -> None:
    """Read the states and write the rows as they stand, by the plainest upsert there is."""
    _states()
    names = [field.attname for field in DueDate._meta.concrete_fields if not field.primary_key]
    for begin in range(0, Vehicle.objects.count(), forecast.VEHICLES_AT_ONCE):
        rows = list(
            DueDate.objects.filter(
                vehicle_id__gt=begin, vehicle_id__lte=begin + forecast.VEHICLES_AT_ONCE
            ).values_list(*names)
        )
        columns = {
            name: np.array([row[at] for row in rows] + [None], dtype=object)[:-1]
            for at, name in enumerate(names)
        }
        columns["sort_on"] = np.array([str(day) for day in columns["sort_on"]], dtype=object)
        for name, column in columns.items():
            if name.endswith("_on") or name[-3:] in ("p10", "p50", "p90"):
                columns[name] = np.array([day and str(day) for day in column], dtype=object)
        with connection.cursor() as cursor:
            cursor.execute(
                f"UPDATE due_duedate SET {_unlike()} WHERE vehicle_id > %s AND vehicle_id <= %s",  # noqa: S608
                [begin, begin + forecast.VEHICLES_AT_ONCE],
            )
        bulk.upsert(DueDate, columns, key=["vehicle_id", "service_id"])


def _states() -> None:
    listed = ", ".join(STATE_COLUMNS)
    bulk.read(
        f"SELECT meter_id, {listed} FROM usage_usagestate",
        [],
        {"meter_id": "i8"} | dict.fromkeys(STATE_COLUMNS, "f8"),
    )


def _ordinary(on: date, vehicles: int, found: dict[str, Cost]) -> None:
    """The nights of the next days, each with 3 % new readings; the best of them.

    They do what the other arms do not: a new day drafts orders, and dates that move change the
    weeks ahead. So nights of the same kind stand beside them, of days on which nothing was read
    and on which every vehicle was.
    """
    first = on + timedelta(days=1)
    nights = {day: _night_of(day, SHARE) for day in _days(first, NIGHTS)}
    begins = nights.pop(next(day for day in nights if day.weekday() == MONDAY))
    (least, counts), second = sorted(nights.values(), key=lambda night: night[0].cpu_s)[:2]
    floor_s = found["nothing"].cpu_s + SHARE * found["everything"].cpu_s
    report("ordinary night, CPU against nothing and 3 % of everything", least.cpu_s / floor_s, 1.5)
    quiet_s, busy_s = _of_days_unlike(first + timedelta(days=NIGHTS))
    over = "ordinary night, CPU against a day without readings and 3 % of one with all"
    report(over, least.cpu_s / (quiet_s + SHARE * busy_s), 1.5)
    spread = f"two best {second[0].cpu_s / least.cpu_s - 1:.0%} apart"
    print(f"      {least.cpu_s:.3f} s CPU ({spread}), {least.statements} statements,", end=" ")
    print(f"looked at {counts['vehicles looked at'] / vehicles:.1%};", end=" ")
    print(f"without readings {quiet_s:.3f} s, with all {busy_s:.2f} s")
    print(f"      first night of a week: {begins[0].cpu_s:.2f} s CPU, {begins[0].peak_mb:.0f} MB")


def _days(first: date, count: int) -> list[date]:
    return [first + timedelta(days=number) for number in range(count)]


def _night_of(day: date, share: float) -> tuple[Cost, Counter[str]]:
    """The night after a share of the vehicles was read, and what it did."""
    fleet.read_again(share, day, seed=day.toordinal())
    a_day_passes()
    with measured() as cost:
        counts = chain.nightly(day).counts
    return cost, counts


def _of_days_unlike(first: date) -> tuple[float, float]:
    """CPU of the best night without a reading, and of the best with one of each vehicle [s].

    In turn, so that what disturbs the machine disturbs both; a week begins with the first kind.
    """
    costs_s: dict[float, list[float]] = {0.0: [], 1.0: []}
    for day in _days(first, 2 * ROUNDS_OF_MANY + 1):
        begins = day.weekday() == MONDAY
        share = 0.0 if begins else min(costs_s, key=lambda share: len(costs_s[share]))
        cost, _ = _night_of(day, share)
        if not begins:
            costs_s[share].append(cost.cpu_s)
    return min(costs_s[0.0]), min(costs_s[1.0])


def _loop(vehicles: int, everything: Cost) -> None:
    """The same work vehicle by vehicle, on a sample."""
    ids = np.linspace(1, vehicles, SAMPLE).astype(np.int64)
    DueStamp.objects.filter(vehicle_id__in=ids.tolist()).update(rules=0)
    rules = gather_rules()
    with measured() as cost:
        for pk in ids:
            one_by_one(int(pk), len(rules.service_id))
    each_s, ours_s = cost.cpu_s / SAMPLE, everything.cpu_s / vehicles
    report("per-vehicle loop against the night", each_s / ours_s, 100, "×", least=True)


def one_by_one(vehicle_id: int, services: int) -> None:
    """What a loop over objects would do for one vehicle: fetch, compute and save each row."""
    vehicle = Vehicle.objects.select_related("vehicle_type", "depot").get(pk=vehicle_id)
    list(vehicle.meters.all())
    list(vehicle.usage_states.all())
    list(vehicle.duty.all())
    for service in vehicle.vehicle_type.services.all():
        list(service.limits.all())
        vehicle.services_done.filter(service=service).order_by("-done_on").first()
    forecast.forecast(np.array([vehicle_id]), fleet.first_of_month_after_last(), only_changed=False)
    for row in DueDate.objects.filter(vehicle=vehicle):
        row.save()


def empty() -> None:
    """Take everything out of the database."""
    from django.core.management import call_command

    call_command("flush", interactive=False, verbosity=0)


def analyze() -> None:
    """Let the database know how large its tables are."""
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")


def a_day_passes() -> None:
    """Do what a PostgreSQL does by itself between two nights: clear away what was overwritten."""
    if bulk.on_postgres():
        with connection.cursor() as cursor:
            cursor.execute("VACUUM (ANALYZE)")
