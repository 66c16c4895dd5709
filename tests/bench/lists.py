"""Lists over every order ever made and every due date: buffers that a page takes of PostgreSQL.

Ten orders a vehicle, written by SQL: a million at the usual size. Each list is asked for as a
person or a program does, its first page and one far in; then each of its statements is explained.
"""

import json
import re
from collections.abc import Callable, Iterator
from typing import Any
from urllib.parse import urlencode

from django.core.cache import cache
from django.db import connection
from django.db.models import BooleanField, CharField, Model
from django.test import Client
from django.test.utils import CaptureQueriesContext
from rest_framework.test import APIClient

from fleet.due.models import DueDate
from fleet.workorders.models import Job, WorkOrder
from tests.bench import fleet
from tests.bench.measure import report
from tests.bench.night import a_day_passes
from tests.bench.orders import ORDERS_PER_VEHICLE, PEOPLE, _people

ROWS, MOST_ROWS = 50, 500  # of a page as it is shown, and of one on the way far in
FAR_IN = 20  # pages
LISTED = (WorkOrder._meta.db_table, DueDate._meta.db_table)
MOST_BUFFERS = 60  # of what goes through the list itself; what each row brings along comes beside
API = {
    "orders, newest": ("work-orders", {}),
    "orders, released": ("work-orders", {"state": "released"}),
    "orders of a depot": ("work-orders", {"depot": "depot-1"}),
    "orders planned today": ("work-orders", {"planned_on": "today"}),
    "due dates": ("due-dates", {}),
    "due dates of a depot": ("due-dates", {"depot": "depot-1"}),
}
PAGES = {
    "page Work orders, most urgent first": "/work-orders",
    "page Work orders by day": "/work-orders?sort=day",
    "page Due": "/due",
    "page Today": "/todays-orders",
}


def run(vehicles: int) -> None:
    """Count buffers; on SQLite nobody says how many there were."""
    if connection.vendor != "postgresql":
        print("      only on PostgreSQL: --postgres URL")
        return
    fleet.build(vehicles, weeks=1)
    supervisor, mechanic = _people()
    _write_orders(ORDERS_PER_VEHICLE * vehicles, vehicles, mechanic.pk)
    _write_due_dates()
    a_day_passes()  # and clears away, else an index alone tells nothing
    print(f"      {WorkOrder.objects.count():,} orders, {DueDate.objects.count():,} due dates")
    program, person = APIClient(SERVER_NAME="localhost"), Client(headers={"host": "localhost"})
    program.force_authenticate(supervisor)
    person.force_login(supervisor)
    for name, (which, given) in API.items():
        _measure(name, f"/api/v1/{which}?{urlencode(given)}", lambda at: _api(program, at))
    for name, address in PAGES.items():
        _measure(name, address, lambda at: _page(person, at))


def _api(client: APIClient, address: str) -> str:
    answer = client.get(address)
    assert answer.status_code == 200, answer.content
    return str(answer.json()["next"] or "")


def _page(client: Client, address: str) -> str:
    answer = client.get(address)
    assert answer.status_code == 200, answer.status_code
    found = re.search(r'href="[^"?]*(\?[^"]*\bafter=[^"]+)"', answer.content.decode())
    return address.partition("?")[0] + found[1].replace("&amp;", "&") if found else ""


def _measure(name: str, address: str, ask: Callable[[str], str]) -> None:
    joint = "&" if "?" in address else "?"
    api = address.startswith("/api/")
    _explain(f"{name}, first page", f"{address}{joint}limit={ROWS}" if api else address, ask)
    following = f"{address}{joint}limit={MOST_ROWS}" if api else address
    for _ in range(FAR_IN):
        cache.clear()  # else the caller's limit is used up
        if not (after := ask(following)):
            break
        following = after
    _explain(f"{name}, far in", following.replace(f"limit={MOST_ROWS}", f"limit={ROWS}"), ask)


def _explain(name: str, address: str, ask: Callable[[str], str]) -> None:
    cache.clear()
    with CaptureQueriesContext(connection) as captured:
        ask(address)
    statements = [one["sql"] for one in captured if one["sql"].startswith(("SELECT", "(SELECT"))]
    plans = [_plan(one) for one in statements]
    report(f"{name}, buffers of the list itself", max(map(_of_the_list, plans)), MOST_BUFFERS, "")
    whole = sorted(map(_buffers, plans), reverse=True)
    print(f"          with what rows bring along {sum(whole)} of {len(whole)} statements: {whole}")


def _plan(statement: str) -> dict[str, Any]:
    with connection.cursor() as cursor:
        cursor.execute(f"EXPLAIN (ANALYZE, BUFFERS, FORMAT JSON) {statement}")
        found = cursor.fetchone()[0]
    plan: dict[str, Any] = (json.loads(found) if isinstance(found, str) else found)[0]["Plan"]
    return plan


def _of_the_list(plan: dict[str, Any]) -> int:
    """Buffers of the greediest look through a listed table, but for those made for single rows."""
    if plan.get("Parent Relationship") == "SubPlan":
        return 0
    below = [_of_the_list(part) for part in plan.get("Plans", ())]
    return max([_buffers(plan) if plan.get("Relation Name") in LISTED else 0, *below])


def _buffers(plan: dict[str, Any]) -> int:
    return int(plan["Shared Hit Blocks"] + plan["Shared Read Blocks"])


def _write_orders(total: int, vehicles: int, mechanic: int) -> None:
    """Years of signed-off orders, and the open ones of the last weeks, a job each."""
    age_d = f"(({total} - n)::bigint * 2000 / {total})::int"
    still_open = f"{age_d} < 10"
    _insert(
        WorkOrder,
        f"generate_series(1, {total}) n JOIN vehicles_vehicle v ON v.id = n % {vehicles} + 1",
        {
            "id": "n",
            "number": "'W-' || to_char(n, 'FM00000000')",
            "vehicle_id": "v.id",
            "depot_id": "v.depot_id",
            "where": "'own workshop'",
            "state": f"CASE WHEN {still_open} THEN (ARRAY['drafted', 'released', 'started'])"
            "[n % 3 + 1] ELSE 'signed off' END",
            "version": "1",
            "planned_on": f"CURRENT_DATE + 2 - {age_d}",
            "assigned_to_id": f"{mechanic} + n % {PEOPLE}",
            "raising": "'lift'",
            "created_at": f"CURRENT_DATE + 2 - {age_d}",
            "waited_s": "0",
        },
    )
    _insert(
        Job,
        "workorders_workorder o",
        {
            "order_id": "o.id",
            "vehicle_id": "o.vehicle_id",
            "title": "'Wiper blades'",
            "minutes": "5",
            "state": "CASE WHEN o.state = 'signed off' THEN 'done' ELSE 'open' END",
        },
    )


def _write_due_dates() -> None:
    """A due date of each service of each vehicle, over the year from a month ago."""
    day = "CURRENT_DATE - 30 + ((v.id * 7919 + s.id * 104729) % 365)::int AS day"
    _insert(
        DueDate,
        "vehicles_vehicle v JOIN due_service s ON s.vehicle_type_id = v.vehicle_type_id "
        f"CROSS JOIN LATERAL (SELECT {day}) d",
        {
            "vehicle_id": "v.id",
            "service_id": "s.id",
            "depot_id": "v.depot_id",
            "sort_on": "d.day",
            "history_known": "TRUE",
            "p10": "d.day - 10",
            "p50": "d.day",
            "p90": "d.day + 12",
            "bring_in_by_on": "d.day - 11",
            "binding_limit": "'km'",
            "duty_class": "'normal'",
            "inputs_hash": "v.id",
        },
    )


def _insert(model: type[Model], source: str, columns: dict[str, str]) -> None:
    """Rows by SQL; texts and yes-or-no columns that are not given are empty and no."""
    filled = dict(_blank(model)) | columns
    names = ", ".join(f'"{name}"' for name in filled)
    with connection.cursor() as cursor:
        cursor.execute(
            f"INSERT INTO {model._meta.db_table} ({names}) "  # noqa: S608 - our own words
            f"SELECT {', '.join(filled.values())} FROM {source}"
        )


def _blank(model: type[Model]) -> Iterator[tuple[str, str]]:
    for field in model._meta.concrete_fields:
        if isinstance(field, CharField) and not field.null:
            yield str(field.column), "''"
        elif isinstance(field, BooleanField) and not field.null:
            yield str(field.column), "FALSE"
