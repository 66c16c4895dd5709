"""What a run did, in sentences that say it without knowing the program."""

from collections.abc import Mapping

from fleet.dashboard.words import grouped
from fleet.runs.models import Run

# a job as a person calls it; any other is called as it is
JOB_WORDS = {
    "night": "Night",
    "upload": "Upload",
    "plan": "Plan of the workshop",
    "plan anew": "Plan made anew for somebody who waited",
    "backtest": "Backtest",
    "workbook": "Fleet workbook",
    "what if": "Answer to a what-if",
    "class rates": "Distance per day of each class",
    "guard": "Look back at forecasts",
}
# for each counter of a run: what one of it is, and what many are
COUNT_WORDS = {
    "accepted": ("reading accepted", "readings accepted"),
    "held": ("reading held", "readings held"),
    "rejected": ("reading rejected", "readings rejected"),
    "relabelled": ("earlier verdict changed", "earlier verdicts changed"),
    "usage states": ("meter's pace worked out anew", "meters' pace worked out anew"),
    "duty rows": ("duty class changed", "duty classes changed"),
    "due dates": ("due date worked out anew", "due dates worked out anew"),
    "vehicles looked at": (
        "vehicle with something new since the night before",
        "vehicles with something new since the night before",
    ),
    "re-checks ordered": ("re-check put on an order", "re-checks put on orders"),
    "orders drafted": ("order drafted", "orders drafted"),
    "questions asked": ("question about an overdue service", "questions about overdue services"),
    "consumption findings": ("finding of unusual top-ups", "findings of unusual top-ups"),
    "demand rows": (
        "month of demand of an item forecast",
        "months of demand of items forecast",
    ),
    "weeks ahead": ("week of work looked ahead", "weeks of work looked ahead, of all depots"),
    "trials evaluated": ("field trial evaluated", "field trials evaluated"),
    "class rates": ("class of vehicles measured", "classes of vehicles measured"),
    "forecasts": ("forecast held against what happened", "forecasts held against what happened"),
}
SHARE_WORDS = {
    "inside %": "{}\N{NARROW NO-BREAK SPACE}% of outcomes inside the band",
    "band width %": "bands at {}\N{NARROW NO-BREAK SPACE}% of their computed width",
}


def job_words(run: Run) -> str:
    return JOB_WORDS.get(run.job, run.job)


def count_words(counts: Mapping[str, int]) -> str:
    """What was done, without what was not; a run that changed nothing says so."""
    told = [_words(name, number) for name, number in counts.items() if number]
    return ", ".join(told) or ("nothing had changed" if counts else "")


def _words(name: str, number: int) -> str:
    if name in SHARE_WORDS:
        return SHARE_WORDS[name].format(number)
    one, many = COUNT_WORDS.get(name, (name.replace("_", " "),) * 2)
    return f"{grouped(number)} {one if number == 1 else many}"
