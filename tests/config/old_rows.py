"""Rows of a fleet in tables as they were, and what became of them."""

from datetime import UTC, date, datetime
from typing import Any

BEFORE = [
    ("visits", "0004_comparison_and_calendars"),
    ("vehicles", "0007_use_recorded_since"),
    ("stores", "0008_part_numbers_and_shelf_places"),
    ("due", "0019_services_without_a_history"),
    ("workorders", "0022_torque_as_typed"),
]
DAY, INVENTED = date(2026, 6, 1), {"source": "invented"}
AT = datetime(2026, 6, 1, 23, tzinfo=UTC)


def write_fleet(then: Any) -> None:
    def row(model: str, **values: Any) -> Any:
        return then.get_model(model).objects.create(**values)

    depot = row("vehicles.Depot", slug="plain", name="Plain", zone="Europe/Berlin", **INVENTED)
    row("vehicles.Closure", depot=depot, on=DAY)
    kind = row("vehicles.VehicleType", slug="van", name="Van", powertrain="diesel",
               expected_km_per_day=100, top_km_per_day=900, **INVENTED)  # fmt: skip
    gearbox = row("vehicles.Compartment", vehicle_type=kind, slug="gearbox", kind="gearbox",
                  name="Gearbox", **INVENTED)  # fmt: skip
    van = row("vehicles.Vehicle", fleet_number="V-1", vehicle_type=kind, depot=depot,
              joined_on=DAY, joined_as="used")  # fmt: skip
    service = row("due.Service", vehicle_type=kind, compartment=gearbox, slug="gearbox-oil",
                  name="Gearbox oil", **INVENTED)  # fmt: skip
    for number, (what, severity, text, more) in enumerate(FOUND, start=1):
        row("workorders.Finding", vehicle=van, kind=what, severity=severity, text=text,
            found_by="driver", client_key=f"F-{number}", channel="page", performed_at=AT,
            **more)  # fmt: skip
    row("due.DueDate", vehicle=van, service=service, depot=depot, sort_on=DAY, history_known=True,
        p10=DAY, p50=DAY, p90=DAY, bring_in_by_on=DAY, binding_limit="km", duty_class="normal",
        inputs_hash=1)  # fmt: skip
    for number, (state, job) in {
        "W-1": ("released", "open"),
        "W-2": ("signed off", "done"),
    }.items():
        order = row("workorders.WorkOrder", number=number, vehicle=van, depot=depot, state=state)
        row("workorders.Job", order=order, vehicle=van, service=service, title="Oil", state=job)
        row("workorders.OrderEvent", order=order, what="enter", to_state=state, channel="page",
            performed_at=AT)  # fmt: skip
    row("visits.Bay", depot=depot, name="Lift", rated_kg=3500, **INVENTED)
    row("visits.CalendarFeed", depot=depot, digest="digest", made_at=AT)
    plan = row("visits.Plan", depot=depot, as_of_on=DAY, days=56, inputs_hash="", cost_minor=1,
               linear_minor=1, bound_minor=1, solver="", seed=1)  # fmt: skip
    row("visits.PlannedService", plan=plan, vehicle=van, service=service, wanted_on=DAY,
        late_d=0, reason="left out")  # fmt: skip
    item = row("stores.Item", slug="plug", name="Plug", kind="part", **INVENTED)
    row("stores.Arrival", depot=depot, item=item, quantity=4, ordered_on=DAY, due_on=DAY)


FOUND: tuple[tuple[str, str, str, dict[str, Any]], ...] = (
    ("drip", "soon", "at the plug", {}),
    ("noise", "before use", "of a bearing", {}),
    ("wear", "watch", "of a hose", {}),
    ("seep", "soon", "closed since", {"closed_at": AT}),
    ("leak", "soon", "a mistake", {"withdrawn_at": AT}),
)


def told_of_fleet(now: Any) -> dict[str, Any]:
    """The newest rows first: they are of this fleet."""

    def rows(model: str, *names: str) -> list[list[Any]]:
        found = now.get_model(model).objects.order_by("-pk").values_list(*names)
        return [list(map(_plain, values)) for values in found]

    return {
        "works": rows("visits.OtherWork", "finding__client_key", "kind", "title", "minutes",
                      "latest_on", "fixed_on"),
        "planned": rows("visits.PlannedService", "service__slug", "work"),
        "bay": rows("visits.Bay", "name", "rated_kg", "length_m", "height_m")[0],
        "depot": rows("vehicles.Depot", "slug", "holidays_in")[0],
        "closed": rows("vehicles.Closure", "open")[0],
        "type": rows("vehicles.VehicleType", "length_m", "height_m")[0],
        "feed": rows("visits.CalendarFeed", "digest", "vehicle")[0],
        "needed": rows("workorders.WorkOrder", "number", "needed_on")[:2],
        "arrival": rows("stores.Arrival", "quantity", "reason", "received_by")[0],
    }  # fmt: skip


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, date) else value
