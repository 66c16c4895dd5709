"""Workshops: mechanics, their minutes, bays, opening minutes."""

from datetime import date

from fleet.vehicles.models import Depot
from fleet.visits.models import Bay, Mechanic, Workshop
from fleet.whatif.amounts import Misunderstood, whole
from fleet.whatif.kinds import Act, Kind, RowFault, Touched, World, near
from fleet.workbook.cells import WEEKDAYS, CellFault

SUPPOSED = "supposed"
GONE = ("gone", "none", "leaves")
DAY_MIN = 1_440


def _split(which: str, world: World) -> tuple[Depot, str]:
    slug, _, name = which.partition("/")
    return world.depot(slug), name.strip()


def _workshop(depot: Depot) -> Workshop:
    """The row of a depot; one that has none is planned by the usual figures, which it then has."""
    return Workshop.objects.get_or_create(depot=depot, defaults={"source": SUPPOSED})[0]


def _enter_who_is_taken(depot: Depot) -> None:
    """Where nobody is entered one mechanic is taken; whoever comes must come beside that one."""
    if not Mechanic.objects.filter(depot=depot).exists():
        minutes = _workshop(depot).opening_min
        Mechanic.objects.create(
            depot=depot, name="the one there is", minutes=minutes, works_on="1111111",
            source=SUPPOSED,
        )  # fmt: skip
    if not Bay.objects.filter(depot=depot).exists():
        for mechanic in Mechanic.objects.filter(depot=depot):
            Bay.objects.create(depot=depot, name=f"of {mechanic.name}"[:40], source=SUPPOSED)


def _named(model: type[Mechanic] | type[Bay], depot: Depot, name: str) -> Mechanic | Bay:
    found = model.objects.filter(depot=depot, name__iexact=name).first()
    if found is None:
        names = list(model.objects.filter(depot=depot).values_list("name", flat=True))
        hint = near(name, names) if names else "none is entered there"
        raise RowFault("which", f"{depot} has no {model.__name__.lower()} {name!r}; {hint}")
    return found


def _mechanic(which: str, value: str, world: World) -> Act:
    depot, name = _split(which, world)
    if value.strip().casefold() in GONE:
        return _leaves(Mechanic, depot, name)
    figure, _, rest = value.strip().partition(" ")
    minutes = whole(figure, 1, DAY_MIN, "minutes a day")
    try:
        days = WEEKDAYS.read(rest.replace("min", "").strip() or "Mon-Fri")
    except CellFault as fault:
        raise Misunderstood(str(fault)) from fault
    known = Mechanic.objects.filter(depot=depot, name__iexact=name).exists() if name else False

    def act(begins: date, touched: Touched) -> None:
        _enter_who_is_taken(depot)
        if known:
            Mechanic.objects.filter(depot=depot, name__iexact=name).update(
                minutes=minutes, works_on=days
            )
            return
        beside = Mechanic.objects.filter(depot=depot).count()
        Mechanic.objects.create(
            depot=depot, name=name or f"one more ({beside + 1})", minutes=minutes, works_on=days,
            source=SUPPOSED,
        )  # fmt: skip

    return act


def _leaves(model: type[Mechanic] | type[Bay], depot: Depot, name: str) -> Act:
    found = _named(model, depot, name)

    def act(begins: date, touched: Touched) -> None:
        found.delete()
        if not model.objects.filter(depot=depot).exists():
            touched.notes.append(
                f"{depot} has no {model.__name__.lower()} entered any more: as everywhere, one is "
                "then taken. To close the workshop, set its opening minutes to 0."
            )

    return act


def _minutes(which: str, value: str, world: World) -> Act:
    depot, name = _split(which, world)
    found = _named(Mechanic, depot, name)
    minutes = whole(value, 0, DAY_MIN, "minutes a day")

    def act(begins: date, touched: Touched) -> None:
        Mechanic.objects.filter(pk=found.pk).update(minutes=minutes)

    return act


def _bay(which: str, value: str, world: World) -> Act:
    depot, name = _split(which, world)
    if value.strip().casefold() in GONE:
        return _leaves(Bay, depot, name)
    minutes = whole(value, 1, DAY_MIN, "minutes a day") if value.strip() else None
    known = Bay.objects.filter(depot=depot, name__iexact=name).exists() if name else False

    def act(begins: date, touched: Touched) -> None:
        _enter_who_is_taken(depot)
        if known:
            Bay.objects.filter(depot=depot, name__iexact=name).update(opening_min=minutes)
            return
        beside = Bay.objects.filter(depot=depot).count()
        Bay.objects.create(
            depot=depot, name=name or f"one more ({beside + 1})", opening_min=minutes,
            source=SUPPOSED,
        )  # fmt: skip

    return act


def _opening(which: str, value: str, world: World) -> Act:
    depot = world.depot(which)
    minutes = whole(value, 0, DAY_MIN, "minutes a day")

    def act(begins: date, touched: Touched) -> None:
        workshop = _workshop(depot)
        Workshop.objects.filter(pk=workshop.pk).update(opening_min=minutes)

    return act


KINDS = (
    Kind("mechanic", "depot for one more, depot/name for one there is",
         "minutes and days, such as 480 Fri; gone", ("DEPOT", "480 Fri"), _mechanic),
    Kind("minutes", "depot/name of a mechanic", "minutes a day", ("DEPOT/NAME", "360"), _minutes),
    Kind("bay", "depot for one more, depot/name for one there is",
         "minutes a day, empty for as the workshop; gone", ("DEPOT", ""), _bay),
    Kind("opening", "depot", "minutes a day", ("DEPOT", "600"), _opening),
)  # fmt: skip
