"""Take a question, work it out on copies, keep what was found; the fleet itself is only read."""

import json
import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

from django.db import transaction

from fleet.faults import Fault, Forbidden, Refused
from fleet.people.models import Person
from fleet.people.roles import Right, may
from fleet.today import newest_day
from fleet.vehicles.models import Depot
from fleet.whatif.answer import answer
from fleet.whatif.arm import A_FAULT
from fleet.whatif.compare import compare
from fleet.whatif.copying import copies
from fleet.whatif.models import WhatIf
from fleet.whatif.rows import Change, understood
from fleet.whatif.year import Year
from fleet.workorders.models import LabourRate

AT_ONCE = 3  # waiting or worked on; our choice: a copy of the fleet each, on one worker
ARMS = ("today", "changed")
LAST_SHARE = (0.1, 0.55, 1.0)  # of the work that copying and each arm end with
SERVED = ("SUMPWISE_DATABASE_URL", "SUMPWISE_REDIS_URL")  # of no matter to a copy
State = WhatIf.State
Progress = Callable[[float], None]


class Gone(Fault):
    """The question was deleted while it was worked on."""


def ask(
    rows: Sequence[Any],
    depots: Sequence[Depot],
    now: datetime,
    *,
    person: Person | None,
    channel: str,
    title: str = "",
) -> WhatIf:
    """
    Take a question; somebody then works it out.

    Raises
    ------
    ChangesRefused
        With every fault of the rows.
    Fault
        Too many are being worked out, or there is no depot.
    """
    if person is not None and not may(person, Right.ASK_WHAT_IF):
        raise Forbidden(f"Your role does not include: {Right.ASK_WHAT_IF.value}.")
    if not depots:
        raise Fault("There is no depot to ask about: have one added, or be given one under People.")
    today = newest_day((one.zone for one in depots), now)
    changes = understood(rows, depots, today)
    with transaction.atomic():
        if WhatIf.objects.filter(state__in=[State.WAITING, State.WORKING]).count() >= AT_ONCE:
            raise Refused(
                f"{AT_ONCE} questions are being worked out: wait for one, or delete one under "
                "What if."
            )
        asked = WhatIf.objects.create(
            title=(title.strip() or _title(changes))[:200],
            changes=[one.plain for one in changes],
            person=person,
            channel=channel,
            asked_at=now,
        )
        asked.depots.set(depots)
    return asked


def _title(changes: Sequence[Change]) -> str:
    more = f" and {len(changes) - 1} more" if len(changes) > 1 else ""
    return f"{changes[0]}{more}"


def delete(asked: WhatIf, person: Person) -> None:
    """Delete a question and its answer; one that is worked on ends soon after.

    Raises
    ------
    Forbidden
        It is somebody else's, and the person is no supervisor.
    """
    if asked.person_id != person.pk and not may(person, Right.RUN_NIGHT):
        raise Forbidden("Only a supervisor deletes what somebody else asked.")
    asked.delete()


def work_out(asked_id: int, now: datetime, progress: Progress = lambda share: None) -> WhatIf:
    """Bring a question to its end: done, or failed with the reason. One at its end stays so.

    Raises
    ------
    Gone
        It was deleted meanwhile.
    """
    asked = WhatIf.objects.get(pk=asked_id)
    if not asked.moving:
        return asked

    def tell(share: float, at: str) -> None:
        row = WhatIf.objects.filter(pk=asked.pk)
        if not row.update(state=State.WORKING, share=share, at=at[:120]):
            raise Gone("The question was deleted.")
        progress(share)

    try:
        asked.as_of_on, asked.result = _both(asked, now, tell)
        asked.state, asked.error = State.DONE, ""
    except Gone:
        raise
    except Fault as fault:
        asked.state, asked.error = State.FAILED, str(fault)
    except Exception as error:
        give_up(asked_id, f"It could not be worked out ({type(error).__name__}); see Runs.")
        raise
    asked.share, asked.at, asked.finished_at = 1.0, "", now
    if WhatIf.objects.filter(pk=asked.pk).exists():
        asked.save()
    return asked


def give_up(asked_id: int, why: str) -> None:
    """Note that a question is not worked out, so that nobody waits for it."""
    rows = WhatIf.objects.filter(pk=asked_id, state__in=[State.WAITING, State.WORKING])
    rows.update(state=State.FAILED, error=why, at="")


Tell = Callable[[float, str], None]


def _both(asked: WhatIf, now: datetime, tell: Tell) -> tuple[date, dict[str, Any]]:
    depots = list(asked.depots.order_by("slug"))
    today = newest_day((one.zone for one in depots), now)
    understood(asked.changes, depots, today)  # what it names may be gone by now
    tell(0.0, "copying the fleet")
    years: list[Year] = []
    with copies(ARMS, lambda share, at: tell(LAST_SHARE[0] * share, at)) as folders:
        for number, folder in enumerate(folders):
            question = {
                "first_on": today.isoformat(),
                "now": now.isoformat(),
                "depots": [one.slug for one in depots],
                "changes": asked.changes if number else [],
            }
            years.append(_arm(folder, question, _within(tell, number)))
    result = compare(years[0], years[1], depots)
    result["wages_minor"] = _wages(years[0], years[1])
    result["answer"] = answer(result, asked.changes)
    return today, result


def _within(tell: Tell, number: int) -> Tell:
    """Progress of an arm within that of the whole."""
    begin, end = LAST_SHARE[number], LAST_SHARE[number + 1]
    words = "as it is" if number == 0 else "as it would be"
    return lambda share, at: tell(begin + (end - begin) * share, f"{words}: {at}")


def _wages(today: Year, changed: Year) -> int | None:
    """What more or fewer mechanics' minutes cost a month, where a labour rate is known."""
    rates = dict(LabourRate.objects.values_list("depot__slug", "rate_minor_per_h"))
    minor = sum(
        (changed.mechanic_min[slug] - today.mechanic_min[slug]) / 60 * rates.get(slug, 0)
        for slug in today.mechanic_min
    )
    return round(minor / 12) or None


def _arm(folder: Path, question: dict[str, Any], tell: Tell) -> Year:
    """Have a process whose database is the copy follow a year on it."""
    (folder / "question.json").write_text(json.dumps(question))
    kept = {name: value for name, value in os.environ.items() if name not in SERVED}
    with (
        (folder / "said").open("w+") as said,
        subprocess.Popen(  # noqa: S603 - our own program, no shell
            [sys.executable, str(Path(__file__).with_name("arm.py")), str(folder)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=said,
            text=True,
            env=kept | {"SUMPWISE_DATA": str(folder), "DJANGO_SETTINGS_MODULE": "config.settings"},
        ) as child,
    ):
        try:
            for line in child.stdout or ():
                told = json.loads(line)
                tell(told["share"], told["at"])
            code = child.wait()
        finally:
            child.kill()  # of no effect on one that has ended
        said.seek(0)
        return _found(folder, code, said.read().strip())


def _found(folder: Path, code: int, said: str) -> Year:
    if code == A_FAULT:
        raise Fault(said.splitlines()[-1])
    if code:
        raise RuntimeError(f"the year could not be followed ({code}): {said[-1_500:]}")
    found: Year = pickle.loads((folder / "year.pickle").read_bytes())  # noqa: S301 - our own child
    return found
