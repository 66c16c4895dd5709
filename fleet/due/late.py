"""What is late on a day, in SQL: for statements that go over the whole of a fleet each night."""

from datetime import date

OVERDUE = "(d.beyond_by_reading OR COALESCE(d.calendar_on < %s, FALSE))"
NOT_LATE = f"(d.history_known AND d.sort_on >= %s AND NOT {OVERDUE})"
ROWS = f"""
    SELECT d.vehicle_id, d.service_id, d.depot_id, d.inputs_hash, {OVERDUE} AS overdue,
        d.beyond_tolerance_by_reading AS beyond, d.tolerance_until_on
    FROM due_duedate d
    WHERE d.history_known AND d.sort_on <= %s AND (d.sort_on < %s OR {OVERDUE})
        AND d.vehicle_id NOT IN (SELECT id FROM vehicles_vehicle WHERE status = 'sold')"""  # noqa: S608


def late_rows(today: date) -> tuple[str, list[date]]:
    """SQL and parameters of due dates that are ``overdue``, or probably, of vehicles in the fleet;
    the same that ``listing.condition`` says.

    The day that what is late is sorted by is never ahead: so an index finds it.
    """
    return ROWS, [today] * 4


def not_late(today: date) -> tuple[str, list[date]]:
    """A condition and its parameters: due dates ``d`` that are known, and not even probably
    overdue."""
    return NOT_LATE, [today] * 2
