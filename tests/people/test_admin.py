from datetime import date
from html.parser import HTMLParser

import pytest
from django.contrib import admin
from django.test import Client
from django.urls import reverse

from fleet.people.models import Person, Role
from fleet.vehicles.models import DepotStay, Vehicle
from fleet.visits.models import Bay
from tests.cast import Cast, oil_change, person

TABLES = {
    "people_person", "vehicles_depot", "vehicles_vehicletype", "vehicles_vehicle",
    "stores_specification", "stores_product", "duty_criterion", "due_service",
    "workorders_procedure", "workorders_caution", "workorders_wrench",
}  # fmt: skip


def signed_in(someone: Person, staff: bool = True) -> Client:
    someone.is_staff = staff
    someone.save()
    client = Client()
    client.force_login(someone)
    return client


@pytest.fixture
def client(people: Cast) -> Client:
    oil_change(people)
    return signed_in(people.supervisor)


def names(url: str, *args: object) -> str:
    return reverse(f"admin:{url}", args=args)


def test_the_set_up_data_are_there() -> None:
    registered = {f"{m._meta.app_label}_{m._meta.model_name}" for m in admin.site._registry}
    assert registered >= TABLES


@pytest.mark.parametrize("table", sorted(TABLES))
def test_staff_with_the_right_to_set_up_see_list_and_forms(client: Client, table: str) -> None:
    assert client.get(names(f"{table}_changelist")).status_code == 200
    expected = 403 if table in {"vehicles_depot", "people_person"} else 200
    assert client.get(names(f"{table}_add")).status_code == expected


@pytest.mark.parametrize("role", [role for role in Role if role != Role.SUPERVISOR])
def test_staff_of_another_role_see_nothing(people: Cast, role: Role) -> None:
    client = signed_in(person("Ada", role, people.plain))
    for table in TABLES:
        assert client.get(names(f"{table}_changelist")).status_code == 403


def test_a_supervisor_who_is_not_staff_is_told_so(people: Cast) -> None:
    client = signed_in(people.supervisor, staff=False)
    answer = client.get(names("vehicles_vehicle_changelist"))
    assert answer.status_code == 403
    assert "no leave to set up" in answer.content.decode()


def test_only_vehicles_depots_and_people_of_ones_own_depots_show(
    people: Cast, client: Client
) -> None:
    assert "V-201" not in client.get(names("vehicles_vehicle_changelist")).content.decode()
    for url, row in (
        ("vehicles_vehicle_change", people.hill_van),
        ("vehicles_depot_change", people.hill),
        ("people_person_change", people.outsider),
    ):
        assert client.get(names(url, row.pk)).status_code == 404


def test_nobody_but_a_superuser_makes_staff_or_superusers(people: Cast, client: Client) -> None:
    form = {
        "username": "cleo", "first_name": "Cleo", "role": "clerk", "is_active": "on",
        "is_staff": "on", "is_superuser": "on",
    }  # fmt: skip
    assert client.post(names("people_person_change", people.clerk.pk), form).status_code == 302
    people.clerk.refresh_from_db()
    assert (people.clerk.is_staff, people.clerk.is_superuser) == (False, False)


def test_a_superusers_password_is_out_of_reach(people: Cast, client: Client) -> None:
    chief = Person.objects.create_superuser("chief")
    chief.depots.add(people.plain)
    own, password = (
        names(url, chief.pk) for url in ("people_person_change", "auth_user_password_change")
    )
    for url in (own, password):
        assert client.get(url).status_code in {302, 403, 404}
    client.post(password, {"password1": "seven old vans", "password2": "seven old vans"})
    chief.refresh_from_db()
    assert not chief.check_password("seven old vans")


def test_nothing_is_deleted_here(people: Cast, client: Client) -> None:
    assert client.post(names("vehicles_vehicle_delete", people.van.pk)).status_code == 403
    assert Vehicle.objects.filter(pk=people.van.pk).exists()


def test_what_a_workshop_has_is_taken_away_by_who_set_it_up(people: Cast, client: Client) -> None:
    """Here and not beyond one's own depots; its history stays."""
    own, other = (
        Bay.objects.create(depot=depot, name="Lift", source="invented")
        for depot in (people.plain, people.hill)
    )
    for bay in (own, other):
        client.post(names("visits_bay_delete", bay.pk), {"post": "yes"})
        chosen = {"action": "delete_selected", "_selected_action": [bay.pk], "post": "yes"}
        client.post(reverse("admin:visits_bay_changelist"), chosen)
    assert list(Bay.objects.all()) == [other]
    assert Bay.history.filter(id=own.pk).latest().history_type == "-"


def van_form(people: Cast, moved_to: object, on: str) -> dict[str, object]:
    meter = people.van.meters.get()
    empty = {"TOTAL_FORMS": 0, "INITIAL_FORMS": 0}
    return {
        "fleet_number": "V-101", "vehicle_type": people.van_type.pk, "status": "in use",
        "declared_use": "[]", "joined_on": people.van.joined_on, "joined_as": "new",
        "stays-TOTAL_FORMS": 1, "stays-INITIAL_FORMS": 0, "stays-0-vehicle": people.van.pk,
        "stays-0-depot": moved_to, "stays-0-from_on": on,
        "meters-TOTAL_FORMS": 1, "meters-INITIAL_FORMS": 1, "meters-0-id": meter.pk,
        "meters-0-vehicle": people.van.pk, "meters-0-kind": "km", "meters-0-unit": "km",
        **{f"aliases-{name}": value for name, value in empty.items()},
    }  # fmt: skip


def test_a_meter_with_its_readings_is_not_taken_away_in_passing(
    people: Cast, client: Client
) -> None:
    people.supervisor.depots.add(people.hill)
    form = van_form(people, people.hill.pk, "2199-01-01") | {"meters-0-DELETE": "on"}
    client.post(names("vehicles_vehicle_change", people.van.pk), form)
    assert people.van.meters.count() == 1


def test_a_vehicle_moves_by_a_new_stay(people: Cast, client: Client) -> None:
    people.supervisor.depots.add(people.hill)
    today = str(date.today())  # noqa: DTZ011 - any day after the first stay
    form = van_form(people, people.hill.pk, today)
    assert client.post(names("vehicles_vehicle_change", people.van.pk), form).status_code == 302
    people.van.refresh_from_db()
    assert people.van.depot == people.hill
    assert DepotStay.objects.filter(vehicle=people.van).count() == 2


def test_a_vehicle_cannot_be_moved_to_a_foreign_depot(people: Cast, client: Client) -> None:
    form = van_form(people, people.hill.pk, "2199-01-01")
    answer = client.post(names("vehicles_vehicle_change", people.van.pk), form)
    assert answer.status_code == 200
    assert "not one of the available choices" in answer.content.decode()


def test_a_change_is_kept_with_who_made_it(people: Cast, client: Client) -> None:
    where = names("vehicles_vehicletype_change", people.van_type.pk)
    form = {
        "slug": "van", "name": "Small van", "powertrain": "diesel", "expected_km_per_day": 90,
        "top_km_per_day": 900, "source": "invented for the tests",
        "compartments-TOTAL_FORMS": 0, "compartments-INITIAL_FORMS": 0,
    }  # fmt: skip
    assert client.post(where, form).status_code == 302
    newest = people.van_type.history.first()
    assert (newest.name, newest.history_user) == ("Small van", people.supervisor)
    assert client.get(names("vehicles_vehicletype_history", people.van_type.pk)).status_code == 200


class Blocked(HTMLParser):
    """Finds what a policy without 'unsafe-inline' blocks."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = {name for name, _ in attrs}
        inline = tag == "script" and "src" not in names
        if tag == "style" or inline or "style" in names or any(n[:2] == "on" for n in names):
            self.found.append(self.get_starttag_text() or tag)


def test_the_finder_finds_what_is_blocked() -> None:
    blocked = Blocked()
    blocked.feed("<style></style><script>1</script><p style=''><p onclick='1'><script src='a'>")
    assert len(blocked.found) == 4


@pytest.mark.parametrize("table", sorted(TABLES))
@pytest.mark.parametrize("view", ["changelist", "add"])
def test_the_pages_hold_nothing_that_the_browsers_rules_would_block(
    people: Cast, table: str, view: str
) -> None:
    client = signed_in(Person.objects.create_superuser("chief"))
    answer = client.get(names(f"{table}_{view}"))
    assert "script-src 'self'" in answer["Content-Security-Policy"]
    blocked = Blocked()
    blocked.feed(answer.content.decode())
    assert blocked.found == []
