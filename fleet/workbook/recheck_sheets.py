"""The sheet of re-checks: what is looked at again after a job, and when."""

from dataclasses import replace

from fleet.workbook.cells import SLUG, TEXT, YES_NO, choice_of, list_of, number_of, text, whole_of
from fleet.workbook.columns import Column, Link, Sheet
from fleet.workbook.depot_sheets import SOURCE
from fleet.workbook.procedure_sheets import PROCEDURE_LINK, PROCEDURE_REF, fastener_ref
from fleet.workorders.models import ReCheckRule
from fleet.workorders.models.rechecks import RE_CHECK_MIN

_KM = "In km; a source in miles keeps its unit beside it (1 mi = 1.609344 km)."

RE_CHECKS = Sheet(
    "Re-checks",
    ReCheckRule,
    "What must be looked at again after a job, and when: after a distance, days or minutes. One "
    "row makes a check due on call; without a row an instruction is printed, and never due.",
    (
        *PROCEDURE_REF,
        Column("slug", "Re-check", SLUG, "Short name, e.g. wheels.", required=True, key=True),
        Column("text", "Text", TEXT, "E.g. Wheel nuts tightened again.", required=True),
        Column(
            "points",
            "Points",
            list_of(text),
            "A record each, with ; between them; each wheel: every wheel of the vehicle type.",
        ),
        Column("from_km", "Not before [km]", number_of("km", "40", high=10_000), _KM),
        Column("to_km", "At the latest [km]", number_of("km", "80", 0.1, 100_000), _KM),
        Column(
            "stated_unit",
            "Distance unit",
            choice_of(("km", "mi")),
            "In which the source states it, and pages show it; km if empty.",
            default="km",
        ),
        Column("after_d", "Within [days]", whole_of("days", "14", 1, 3650), "From the job's end."),
        Column(
            "after_min",
            "After standing [min]",
            whole_of("min", "30", 1, 10_000),
            "With a distance either is enough.",
        ),
        Column(
            "minutes",
            "Labour [min]",
            whole_of("min", "15", 1, 600),
            f"If its check has no procedure; {RE_CHECK_MIN} if empty: common practice, no source.",
            default=RE_CHECK_MIN,
        ),
        Column(
            "record",
            "Record",
            choice_of(ReCheckRule.RecordOf.values),
            "seen (if empty), figure or fastener: what is recorded at a point.",
            default=ReCheckRule.RecordOf.SEEN.value,
        ),
        Column("figure", "Figure", SLUG, "Of the check it makes due, as in sheet Check figures."),
        fastener_ref("Whose torque is recorded, as named in sheet Fasteners."),
        Column(
            "applies",
            "Applies",
            choice_of(ReCheckRule.Applies.values),
            "always (if empty), or only where wheels came off or sealant was used.",
            default=ReCheckRule.Applies.ALWAYS.value,
        ),
        Column(
            "safety",
            "Safety",
            YES_NO,
            "yes for wheels, brakes and steering: it gets an order of its own at once.",
        ),
        replace(
            Column(
                "again",
                "Makes due",
                SLUG,
                "The check that falls due, as named in sheet Services; one of its own.",
                required=True,
            ),
            path="service__slug",
        ),
        SOURCE,
    ),
    links=(PROCEDURE_LINK, Link("service_id", "Services", ("vehicle_type", "again"))),
)
