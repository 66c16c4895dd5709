"""Points confirmed at the vehicle, as a form of the job card or the queue of a phone sends them."""

from collections.abc import Callable

from fleet.dashboard.orders import typed_torques
from fleet.dashboard.shown_units import torque
from fleet.dashboard.whole_numbers import whole_number
from fleet.dashboard.words import plain
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.reads import Read
from fleet.units import UnitError, number, temperature_c
from fleet.workorders import confirming, points
from fleet.workorders.confirming import PointSeen
from fleet.workorders.models import ConfirmRecord, Job, TorqueRecord, WorkOrder
from fleet.workorders.quantities import decimal_mark

ALL = "every point"  # of the button that records them all


def keep(actor: Actor, job: Job, text: Callable[[str], str], override_reason: str) -> str:
    """Keep one point, or all that are still missing, and say so in words."""
    rule, step = text("rule"), text("step")
    number = whole_number(step) if step.isdecimal() else None
    if text("point") == ALL:
        made = confirming.confirm_all(
            actor,
            job.pk,
            client_key=text("client_key"),
            rule=rule,
            step=number,
            wrench=text("wrench"),
            override_reason=override_reason,
        )
        return f"{len(made)} records kept." if made else "Every point has its record already."
    value, temperature = text("value"), text("temperature")
    done = confirming.confirm(
        actor,
        job.pk,
        PointSeen(
            client_key=text("client_key"),
            rule=rule,
            step=number,
            point=text("point"),
            seen=_seen(text("seen")),
            value=_value(value, text) if value else None,
            unit=text("unit"),
            temperature_c=_temperature_c(temperature) if temperature else None,
            override_reason=override_reason,
        ),
    )
    said = [f"{done.record}."]
    said += [f"Finding reported: {done.raised.text}"] if done.raised else []
    said += ["Every point is recorded: the re-check is done."] if done.ended else []
    return " ".join(said)


def _seen(given: str) -> bool | None:
    return {"yes": True, "no": False}.get(given)


def _value(typed: str, text: Callable[[str], str]) -> float:
    """A value in the unit of its field; a torque may carry its own unit, and is kept in N·m."""
    if text("unit") == "N·m":
        typed = typed_torques.with_unit(typed, typed_torques.shown_unit(text))
        return typed_torques.in_nm(typed, about="value")
    try:
        return number(typed, decimal_mark(typed)).value
    except UnitError as error:
        raise Fault(str(error), about="value") from error


def _temperature_c(typed: str) -> float:
    bare = not any(sign.isalpha() for sign in typed)
    try:
        given = f"{typed} °C" if bare else typed
        return temperature_c(given, decimal_mark=decimal_mark(typed))
    except UnitError as error:
        raise Fault(str(error), about="temperature_c") from error


Line = tuple[str, ConfirmRecord, str]


def kept(order: WorkOrder) -> Read[list[Line]]:
    """What was confirmed on an order: where it stands on the card, the record, and its words."""
    rows = points.confirmed_on(order.pk)
    yield [rows]
    return [
        (f"confirm-{row.job_id}-{row.rule.slug if row.rule else row.step}", row, words(row))
        for row in rows
    ]


def words(row: ConfirmRecord) -> str:
    """A confirmed point in words, e.g. "Front left: as it should be, 120 N·m"."""
    parts = ["as it should be" if row.seen else "not as it should be"]
    if row.value is not None:
        parts.append(torque(row.value) if row.unit == "N·m" else f"{plain(row.value)} {row.unit}")
    if row.temperature_c is not None:
        parts.append(f"at {plain(row.temperature_c)} °C")
    parts += ["too early, so it is still due"] if row.too_early else []
    parts += [f"it stands, because {row.override_reason}"] if row.override_reason else []
    point = f"{row.point.capitalize()}: " if row.point else ""
    return point + ", ".join(parts)


def tightened(row: TorqueRecord) -> str:
    """Which of several points a torque is of, before its words; empty: there is one only."""
    return f"{row.point.capitalize()}: " if row.point else ""
