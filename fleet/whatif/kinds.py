"""What can be changed: each kind's words, and how its ``which`` and ``value`` are understood."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from difflib import get_close_matches

from fleet.vehicles.models import Depot, Vehicle


class RowFault(ValueError):
    """Something in one row: which of its fields, what is wrong, and what to write."""

    def __init__(self, about: str, text: str) -> None:
        super().__init__(text)
        self.about = about


@dataclass(frozen=True)
class World:
    """Where a change may reach: depots by slug."""

    depots: dict[str, Depot]

    def depot(self, slug: str, about: str = "which") -> Depot:
        """Find a depot by its slug or name."""
        wanted = slug.strip().casefold()
        for one in self.depots.values():
            if wanted in (one.slug.casefold(), one.name.casefold()):
                return one
        raise RowFault(about, f"there is no depot {slug!r}; choose from {listed(self.depots)}")

    def vehicle(self, number: str) -> Vehicle:
        """Find a vehicle of these depots by its fleet number."""
        found = Vehicle.objects.filter(
            fleet_number__iexact=number.strip(), depot__in=self.depots.values()
        ).exclude(status=Vehicle.Status.SOLD)
        vehicle = found.select_related("vehicle_type").first()
        if vehicle is None:
            raise RowFault("which", f"no vehicle {number.strip()!r} is at these depots; "
                           "write a fleet number as the Due page shows it")  # fmt: skip
        return vehicle


@dataclass
class Touched:
    """What an arm has to bring up to date after some changes."""

    duty: bool = False  # duty classes are to be decided again
    after: list[Callable[[], None]] = field(default_factory=list)  # once they are
    notes: list[str] = field(default_factory=list)


# does a change on the copy from a day on; ``begins`` is the day on which its terms begin
Act = Callable[[date, Touched], None]


@dataclass(frozen=True)
class Kind:
    """One kind of change: its name in files, what its fields hold, and who understands it."""

    what: str
    which: str
    value: str
    example: tuple[str, str]
    understand: Callable[[str, str, World], Act]


def listed(names: Iterable[str], most: int = 12) -> str:
    """Some names, and how many more there are."""
    shown = sorted(names)
    more = f" and {len(shown) - most} more" if len(shown) > most else ""
    return ", ".join(shown[:most]) + more


def near(name: str, names: Sequence[str]) -> str:
    """Say what may have been meant, else what there is."""
    close = get_close_matches(name, names, 3, 0.5)
    return f"did you mean {' or '.join(close)}?" if close else f"choose from {listed(names)}"
