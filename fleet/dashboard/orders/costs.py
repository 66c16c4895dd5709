"""Costs per 1,000 km by vehicle, service, depot or duty class: the last year or one before."""

from datetime import date

from django.http import HttpResponse
from django.views.decorators.http import require_GET

from fleet.dashboard.downloads import table_file
from fleet.dashboard.frame import Scope, SignedIn, scope_of, show
from fleet.stores.money import from_minor, words
from fleet.tables import Cell
from fleet.workorders.costs import BY, CostLine, names_by, without_order, years
from fleet.workorders.costs import costs as costs_of

Year = tuple[date, date]  # its first and its last day
CALLED = {"class": "duty class"}
HEADINGS = (
    *("By", "Jobs", "Materials", "Labour", "Outside work", "Total", "km", "Per 1,000 km"),
    "Missing",
)


@require_GET
def costs(request: SignedIn) -> HttpResponse:
    scope, by = scope_of(request), _by(request)
    named, spans = names_by(by), years(_ids(scope), scope.today)
    year = _year(request, spans)
    context = {
        "years": [(until_on, _then(until_on, spans)) for _, until_on in spans],
        "of_year": _then(year[1], spans),
        "by": by,
        "ways": [(one, CALLED.get(one, one)) for one in BY],
        "called": CALLED.get(by, by),
        "from_on": year[0],
        "until_on": year[1],
        "without_order": without_order(_ids(scope), from_on=year[0], until_on=year[1]),
        "rows": [
            {
                "line": line,
                "name": named.get(line.name, line.name),
                "materials": words(line.cost.materials_minor),
                "labour": words(line.cost.labour_minor),
                "outside": words(line.cost.outside_minor),
                "total": words(line.cost.total_minor),
                "per_1000_km": words(line.cost.per_1000_km_minor),
            }
            for line in _found(scope, by, year)
        ],
    }
    return show(request, "costs", scope, context)


@require_GET
def costs_file(request: SignedIn, ending: str) -> HttpResponse:
    """The list as a file to keep."""
    scope, by = scope_of(request), _by(request)
    named, year = names_by(by), _year(request, years(_ids(scope), scope.today))
    found = (_cells(line, named) for line in _found(scope, by, year))
    return table_file(f"costs-by-{by}", ending, HEADINGS, found)


def _by(request: SignedIn) -> str:
    asked = request.GET.get("by", "")
    return asked if asked in BY else BY[0]


def _year(request: SignedIn, spans: list[Year]) -> Year:
    """The one whose last day is asked for; else the one up to today."""
    until_on = request.GET.get("until", "")
    return next((year for year in spans if year[1].isoformat() == until_on), spans[0])


def _then(until_on: date, spans: list[Year]) -> str:
    """What an address says of a year before the last one."""
    return "" if until_on == spans[0][1] else f"&until={until_on}"


def _found(scope: Scope, by: str, year: Year) -> list[CostLine]:
    return costs_of(_ids(scope), by=by, from_on=year[0], until_on=year[1])


def _ids(scope: Scope) -> list[int]:
    return [depot.pk for depot in scope.chosen]


def _cells(line: CostLine, named: dict[str, str]) -> list[Cell]:
    cost = line.cost
    parts = (cost.materials_minor, cost.labour_minor, cost.outside_minor, cost.total_minor)
    rate = None if cost.per_1000_km_minor is None else from_minor(cost.per_1000_km_minor)
    money: list[Cell] = [from_minor(part) for part in parts]
    return [
        named.get(line.name, line.name),
        cost.jobs,
        *money,
        round(cost.km),
        rate,
        "; ".join(cost.missing),
    ]
