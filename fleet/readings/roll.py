"""The vehicles a sheet may speak of, and which of them a cell means.

A fleet number matches trimmed and without regard to case, the current one before one that a
vehicle used to carry. Digits that a spreadsheet has turned into a number (1012.0, or 1012 for
001012) match when only one vehicle fits. A misspelling is never corrected, only pointed out.
"""

from __future__ import annotations

import difflib
import hashlib
import re
from collections.abc import Collection, Mapping, Sequence

import numpy as np
from django.db.models import QuerySet

from fleet.calc.arrays import Array
from fleet.readings.moments import shown
from fleet.vehicles.models import Alias, Meter, Vehicle

_DIGITS = re.compile(r"([0-9]{1,15})(?:\.0+)?")
SUGGESTIONS = 3
LONGEST = 40  # of a fleet number


class Roll:
    """Vehicles as parallel columns, found by what a cell says; two queries, and one for meters."""

    def __init__(
        self, depots: Collection[str] | None = None, treat_as: Mapping[str, str] | None = None
    ) -> None:
        vehicles = Vehicle.objects.order_by("id")
        if depots is not None:
            vehicles = vehicles.filter(depot__slug__in=depots)
        rows = list(vehicles.values_list("id", "fleet_number", "registration", "depot__zone"))
        self.ids = np.array([row[0] for row in rows], dtype=np.int64)
        self.fleet_numbers = [row[1] for row in rows]
        self.zones = sorted({row[3] for row in rows}) or ["UTC"]
        zone_at = {zone: index for index, zone in enumerate(self.zones)}
        self.zone = np.array([zone_at[row[3]] for row in rows], dtype=np.int64)
        self._place_of = {row[0]: place for place, row in enumerate(rows)}
        self._registrations = {key_of(row[2]): place for place, row in enumerate(rows) if row[2]}
        self._places = self._by_number(vehicles)
        self._said = {key_of(name) for name in treat_as or {}}  # by a person about one file
        for name, number in (treat_as or {}).items():
            if (place := self._places.get(key_of(number))) is not None:
                self._places.setdefault(key_of(name), place)
        self._stripped: dict[str, list[int]] = {}
        for number, place in self._places.items():
            if number.isdigit():
                self._stripped.setdefault(number.lstrip("0"), []).append(place)
        self._shortened: dict[str, list[str]] = {}
        self._known: dict[object, int | str] = {}
        self._meters: dict[str, tuple[Array, Array]] = {}

    def _by_number(self, vehicles: QuerySet[Vehicle]) -> dict[str, int]:
        former = Alias.objects.filter(vehicle__in=vehicles).values_list(
            "fleet_number", "vehicle_id"
        )
        places = {key_of(number): self._place_of[vehicle] for number, vehicle in former}
        places.update({key_of(number): place for place, number in enumerate(self.fleet_numbers)})
        return places

    def fingerprint(self) -> str:
        """Changes when another fleet number can be matched than before."""
        listed = "\n".join(sorted(self._places))
        return hashlib.sha256(listed.encode()).hexdigest()[:16]

    def find(self, cell: object) -> int | str:
        """The place of the vehicle a cell means, or a sentence that says why there is none."""
        found = self._known.get(cell)
        if found is None:
            found = self._known[cell] = self._find(cell)
        return found

    def _find(self, cell: object) -> int | str:
        text = key_of(name_of(cell))
        if text in self._places:
            return self._places[text]
        digits = _DIGITS.fullmatch(text)
        if digits is None:
            return self._unknown(cell, text)
        if digits[1] in self._places:
            return self._places[digits[1]]
        fitting = sorted(set(self._stripped.get(digits[1].lstrip("0"), ())))
        if len(fitting) == 1:
            return fitting[0]
        return self._unknown(cell, text, fitting)

    def _unknown(self, cell: object, text: str, fitting: Sequence[int] = ()) -> str:
        if fitting:
            return f"{shown(cell)} can be {self._named(fitting)}: write the fleet number in full."
        if text in self._registrations:
            named = self._named([self._registrations[text]])
            return f"{shown(cell)} is the registration of {named}: write the fleet number."
        close = self._similar(text)
        hint = f" Similar: {self._named([self._places[number] for number in close])}."
        return (
            f"{shown(cell)} is no known fleet number: correct it, or add the vehicle and send "
            f"the file again.{hint if close else ''}"
        )

    def _similar(self, text: str) -> list[str]:
        """Fleet numbers that differ by marks, one letter, or two letters swapped."""
        if not self._shortened:
            for number in self._places.keys() - self._said:
                for variant in _shortened(number):
                    self._shortened.setdefault(variant, []).append(number)
        near = {number for one in _shortened(text) for number in self._shortened.get(one, ())}
        return difflib.get_close_matches(text, near, n=SUGGESTIONS, cutoff=0)

    def meant(self, name: str) -> tuple[str, ...]:
        """Fleet numbers that an unknown name may stand for, likeliest first."""
        text = key_of(name)
        if text in self._registrations:
            return (self.fleet_numbers[self._registrations[text]],)
        near = self._similar(text)
        same = [number for number in near if _bare(number) == _bare(text)]  # but for its marks
        close = [self._places[number] for number in same or near]
        return tuple(dict.fromkeys(self.fleet_numbers[place] for place in close))

    def _named(self, places: Sequence[int]) -> str:
        return ", ".join(self.fleet_numbers[place] for place in places[:SUGGESTIONS])

    def meters(self, kind: Meter.Kind, places: Array) -> tuple[Array, Array]:
        """Meter ids and units (as the instrument shows it) of vehicles at these places.

        A vehicle without such a meter gets one: a reading proves that it is there.
        """
        if kind not in self._meters:
            self._meters[kind] = self._gather_meters(kind)
        missing = np.unique(places[self._meters[kind][0][places] == 0])
        if missing.size:
            unit = "h" if kind == Meter.Kind.HOURS else "km"
            Meter.objects.bulk_create(
                (Meter(vehicle_id=int(self.ids[place]), kind=kind, unit=unit) for place in missing),
                ignore_conflicts=True,
            )
            self._meters[kind] = self._gather_meters(kind)
        ids, units = self._meters[kind]
        return ids[places], units[places]

    def _gather_meters(self, kind: Meter.Kind) -> tuple[Array, Array]:
        ids = np.zeros(len(self.ids), dtype=np.int64)
        units = np.full(len(self.ids), "", dtype=object)
        for vehicle, meter, unit in Meter.objects.filter(kind=kind).values_list(
            "vehicle_id", "id", "unit"
        ):
            place = self._place_of.get(vehicle)
            if place is not None:
                ids[place], units[place] = meter, unit
        return ids, units


def name_of(cell: object) -> str:
    """What a cell calls a vehicle; digits that a spreadsheet has turned into a number as typed."""
    return f"{cell:.15g}" if isinstance(cell, (int, float)) else " ".join(str(cell).split())


def _bare(number: str) -> str:
    return re.sub(r"\W|_", "", number)[:LONGEST]


def _shortened(number: str) -> set[str]:
    """The bare letters and digits, whole and with one left out."""
    bare = _bare(number)
    return {bare, *(bare[:at] + bare[at + 1 :] for at in range(len(bare)))} - {""}


def key_of(text: str) -> str:
    """A fleet number as it is matched: trimmed, one space between words, capital letters."""
    return " ".join(text.split()).upper()
