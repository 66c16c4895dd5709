"""Why a reading was held or rejected, and what a meter shows beside the total, in words for the
person who entered it."""

from fleet.readings.models import Reading
from fleet.vehicles.own_unit import in_words

# of a slip that became one only when the meter went on from where it had stood before
SHOWN_BY_NEXT = "The next reading shows that this one is a slip."

WITHDRAWN = "upload_withdrawn"

SENTENCES = {
    "future_date": "The date lies in the future: correct it and send it again.",
    "not_a_number": "No meter can show this value: correct it and send it again.",
    "duplicate": "The vehicle has the same reading already.",
    "contradicts_earlier_entry": "Another value was entered for the same moment.",
    "out_of_order": "It does not fit between the readings before and after it.",
    "digits_swapped": "Two neighbouring digits seem to be swapped.",
    "miles_for_km": "It seems to be in miles instead of km, or the other way round.",
    "last_digit_lost": "The last digit seems to be missing.",
    "leading_digit_lost": "A leading digit seems to be missing.",
    "digit_lost": "A digit seems to be missing.",
    "extra_digit": "There seems to be a digit too many.",
    "wrong_digit": "One digit seems to be wrong.",
    "in_thousands": "It seems to be given in thousands, or its point to set them apart.",
    "total_given": "It seems to be the total that the vehicle has run, not what the meter itself "
    "shows.",
    "rolled_back": "The meter stands lower than before.",
    "noted_late": "It seems to be an older reading under a later date.",
    "new_meter": "The meter seems to have been replaced.",
    "jump": "The meter is far ahead of what was expected.",
    "agrees_with_held": "It agrees with readings that are held: the meter may have changed.",
    "contradicted_by_later": "Later readings contradict it.",
    "confirmed_by_the_next": "It was held at first; the next reading confirmed it.",
    WITHDRAWN: "The upload that brought it was withdrawn.",
}


def sentence(
    reason: str, suggestion: float | None = None, unit: str = "km", *, shown_by_next: bool = False
) -> str:
    """A reason in words, with the value suggested instead (in km or h) in this unit."""
    words = SENTENCES.get(reason, reason.replace("_", " "))
    if shown_by_next:
        words = f"{SHOWN_BY_NEXT} {words}"
    if suggestion is None:
        return words
    return f"{words} Suggested: {in_words(suggestion, unit)}."


def on_meter(reading: Reading, unit: str) -> str:
    """What the meter itself shows where that is not the total, whether it was replaced, began anew
    or was turned; empty where it is."""
    total = reading.shown if reading.total is None else reading.total
    shows = in_words(reading.shown, unit)
    if shows == in_words(total, unit):
        return ""
    apart = in_words(abs(total - reading.shown), unit)
    way = "more" if total < reading.shown else "less"
    return f"the meter shows {shows}, {apart} {way} than the vehicle has run"
