"""What every demo keeps: closed days."""

from zoneinfo import ZoneInfo

import numpy as np

from fleet.due.rules import gather_depots
from fleet.workorders.models import WorkOrder


def check_open_days() -> None:
    """Nothing is planned for a day on which the workshop is closed, nor begun on one."""
    working = gather_depots().working
    own = WorkOrder.objects.filter(where="own workshop").select_related("depot")
    for order in own:
        week, zone = working[order.depot_id].calendar(), ZoneInfo(order.depot.zone)
        days = [order.planned_on, order.started_at and order.started_at.astimezone(zone).date()]
        for day in filter(None, days):
            assert np.is_busday(day, busdaycal=week), (order, day)
