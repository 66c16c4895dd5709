"""Labour minutes of services by the book: of their procedure, else of the rule of a re-check."""

from collections.abc import Collection

from django.db.models import Max

from fleet.workorders.models import Procedure, ReCheckRule

# of a service ``s``, beside its procedure ``p``; NULL: the book says none
OF_SERVICE = """COALESCE(NULLIF(p.minutes, 0), (
    SELECT MAX(r.minutes) FROM workorders_recheckrule r WHERE r.service_id = s.id))"""


def book_minutes(service_ids: Collection[int]) -> dict[int, int]:
    """Minutes of those of some services of which the book says any; two queries."""
    rules = ReCheckRule.objects.filter(service__in=service_ids).order_by().values("service")
    timed = Procedure.objects.filter(service__in=service_ids, minutes__gt=0)
    return {
        **dict(rules.annotate(all=Max("minutes")).values_list("service", "all")),
        **dict(timed.values_list("service", "minutes")),
    }
