"""Litres as typed: a unit may stand behind the number; a bare quart is the one of the depot."""

import re
from dataclasses import dataclass

from fleet.faults import Fault, Question
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.units import DecimalMark, UnitError, number, volume_l
from fleet.vehicles.models import Depot

WORDS = {"us": "US", "imperial": "imp"}  # of the depot's setting, as units are spelt
BARE = {
    **dict.fromkeys(("qt", "qts", "quart", "quarts"), "qt"),
    **dict.fromkeys(("pt", "pts", "pint", "pints"), "pt"),
    **dict.fromkeys(("gal", "gals", "gallon", "gallons"), "gal"),
}


@dataclass(frozen=True)
class Quantity:
    """A quantity that was typed, and what was made of it."""

    litres: float
    typed: str  # as typed, with its unit; empty: a plain number of litres
    digits: str  # the number alone, which says how finely it was given


def decimal_mark(text: str) -> DecimalMark:
    """The mark of a number that never reaches the thousands: “4,9” and “4.9” are one."""
    return "," if "," in text and "." not in text else "."


def read_quantity(text: str, depot: Depot) -> Quantity:
    """Litres of a typed quantity.

    Raises
    ------
    Fault
        It is no quantity.
    Question
        A bare quart, pint or gallon, and the depot has not said which it uses.
    """
    try:
        given = number(text, decimal_mark(text))
        digits = re.sub(r"[^0-9.,]", "", text.split(given.unit)[0] if given.unit else text)
        if given.unit is None:
            return Quantity(given.value, "", digits)
        bare = BARE.get(given.unit.rstrip(".").casefold())
        if bare is None:
            litres = volume_l(given.value, given.unit)
            plain = abs(litres - given.value) < 1e-12
            return Quantity(litres, "" if plain else text.strip(), digits)
        if not depot.quart:
            raise _which(given.value, bare)
        litres = volume_l(given.value, f"{WORDS[depot.quart]} {bare}")
        which = "US" if depot.quart == Depot.Quart.US else "imperial"
        return Quantity(litres, f"{digits} {bare} {which}", digits)
    except UnitError as error:
        raise Fault(f"Quantity: {error}", about="quantity") from error


def _which(value: float, bare: str) -> Question:
    meant = [f"{value:g} {word} {bare}" for word in WORDS.values()]
    return Question(
        f"{value:g} {bare} can be two quantities, US or imperial. Which is it?",
        [f"{text}: {volume_l(text):.2f} L" for text in meant],
        about="quantity",
    )


def keep_quart(actor: Actor, depot: Depot, text: str) -> None:
    """Keep for the depot which quart, pint and gallon it uses, as the quantity says.

    Raises
    ------
    Fault
        The quantity says neither US nor imperial.
    """
    actor.must(Right.SET_UP, depot.pk)
    unit = (number(text, decimal_mark(text)).unit or "").casefold()
    quart = Depot.Quart.US if unit.startswith("us") else Depot.Quart.IMPERIAL
    if not unit.startswith(("us", "imp", "uk")):
        raise Fault(
            "Say US or imperial with the quantity, as in 5.2 US qt; then it can be kept.",
            about="keep_quart",
        )
    if depot.quart != quart:
        depot.quart = quart
        depot.save(update_fields=["quart"])
