"""Findings in the order in which they press, and how many there are of each severity."""

from django.db.models import Case, Count, IntegerField, Q, QuerySet, Value, When

from fleet.reads import Read, Rows, prepared, reader
from fleet.workorders.findings import open_findings
from fleet.workorders.models import Finding

PRESSING = (Finding.Severity.BEFORE_USE, Finding.Severity.SOON, Finding.Severity.WATCH)


def most_pressing(rows: QuerySet[Finding]) -> QuerySet[Finding]:
    """Those to see to before use first, then soon, then to watch; the newest of each first."""
    ranks = [When(severity=name, then=Value(rank)) for rank, name in enumerate(PRESSING)]
    found = Case(*ranks, default=Value(len(ranks)), output_field=IntegerField())
    return rows.annotate(rank=found).order_by("rank", "-pk")


@prepared
def pressing_on(vehicle_id: int) -> Rows:
    """Open ones of a vehicle in that order."""
    return most_pressing(open_findings().filter(vehicle=vehicle_id))


def after_pressing(rows: QuerySet[Finding], rank: int, pk: int) -> QuerySet[Finding]:
    """Those in that order that come after one of them."""
    return rows.filter(Q(rank__gt=rank) | Q(rank=rank, pk__lt=pk))


def narrowed(rows: QuerySet[Finding], severity: str = "", search: str = "") -> QuerySet[Finding]:
    """Those of one severity, of vehicles or with words that mention a text."""
    if severity:
        rows = rows.filter(severity=severity)
    if search:
        rows = rows.filter(
            Q(vehicle__fleet_number__icontains=search)
            | Q(kind__icontains=search)
            | Q(text__icontains=search)
        )
    return rows


@reader
def severity_counts(rows: QuerySet[Finding]) -> Read[dict[str, int]]:
    """How many there are of each severity, the most pressing first."""
    counted = rows.order_by().values_list("severity").annotate(Count("pk"))
    yield [counted]
    found = dict(counted)
    return {str(name): found.get(name, 0) for name in PRESSING}
