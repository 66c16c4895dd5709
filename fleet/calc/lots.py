"""What stands on a shelf, lot by lot, and how much of it can still be used.

A lot is what carries the same batch and best before. Quantities are millilitres or pieces.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date

Label = tuple[str, date | None]  # batch, and best before
UNLABELLED: Label = ("", None)


@dataclass(frozen=True)
class Step:
    """Something that came to a shelf or went from it.

    Parameters
    ----------
    quantity
        What came, positive; what went, negative [mL or pieces].
    batch, best_before
        As the label says; empty where nobody said.
    """

    quantity: int
    batch: str = ""
    best_before: date | None = None


@dataclass(frozen=True)
class Lot:
    """What is left of a lot.

    Parameters
    ----------
    left
        Above zero; below zero only for the one lot that stands for what was used beyond all that
        came, which is unlabelled and alone [mL or pieces].
    """

    batch: str
    best_before: date | None
    left: int

    def past(self, on: date) -> bool:
        """Whether it is not to be used any more on a day; on its best before it still is."""
        return self.best_before is not None and self.best_before < on


def lots(steps: Iterable[Step]) -> list[Lot]:
    """Follow what came and went; what is left adds up to the sum of the steps.

    What goes under a label falls on its own lot, all else, and what that lot lacks, on the oldest:
    the one with the nearest best before, those without one last, of equals the first that came.
    What goes beyond all that is there is owed, and the next that comes pays it.

    Parameters
    ----------
    steps
        In order of time.

    Returns
    -------
    list
        The oldest first.
    """
    shelf = _Shelf()
    for step in steps:
        if step.quantity > 0:
            shelf.add(step)
        else:
            shelf.take(step)
    return shelf.lots()


def oldest(lots: Sequence[Lot], quantity: int, batch: str = "") -> list[Step]:
    """Say from which lots a quantity is taken, each with its label.

    Parameters
    ----------
    there
        The oldest first.
    quantity
        Above zero [mL or pieces].
    batch
        Which batch; empty: the oldest.

    Returns
    -------
    list
        Positive quantities that add up to the one asked for. What the lots lack is under the batch
        that was named, without a best before.
    """
    wanted = [lot for lot in lots if lot.left > 0 and (not batch or lot.batch == batch)]
    found = []
    for lot in wanted:
        part = min(lot.left, quantity)
        if part > 0:
            found.append(Step(part, lot.batch, lot.best_before))
            quantity -= part
    if quantity > 0:
        found.append(Step(quantity, batch))
    return found


def past_use(lots: Iterable[Lot], on: date) -> int:
    """Sum up what is past its best before on a day [mL or pieces]."""
    return sum(lot.left for lot in lots if lot.left > 0 and lot.past(on))


def usable(lots: Iterable[Lot], needed_before: Callable[[date], float]) -> int:
    """Say what of some lots will be used before it is too old.

    Parameters
    ----------
    there
        The oldest first, as `lots` gives them.
    needed_before
        Mean demand from now to the end of a day; 0 for days that are over [mL or pieces].

    Returns
    -------
    int
        Below zero where more was used than came [mL or pieces].
    """
    served = 0.0
    for lot in lots:
        most = lot.left if lot.best_before is None else needed_before(lot.best_before) - served
        served += min(lot.left, max(0.0, most)) if lot.left > 0 else lot.left
    return int(served)


class _Shelf:
    def __init__(self) -> None:
        self.left: dict[Label, int] = {}  # in the order of coming
        self.owed = 0

    def add(self, step: Step) -> None:
        paid = min(self.owed, step.quantity)
        self.owed -= paid
        if step.quantity > paid:
            label = self._label(step)
            self.left[label] = self.left.get(label, 0) + step.quantity - paid

    def _label(self, step: Step) -> Label:
        """Its own; the one of the same batch where the best before was not said again."""
        if step.batch and step.best_before is None:
            dated = [label for label in self.left if label[0] == step.batch]
            return min(dated, key=_age, default=(step.batch, None))
        return step.batch, step.best_before

    def take(self, step: Step) -> None:
        lacking = self._from(self._own(step), -step.quantity)
        if lacking:
            self.owed += self._from(sorted(self.left, key=_age), lacking)

    def _own(self, step: Step) -> list[Label]:
        if (step.batch, step.best_before) == UNLABELLED:
            return []
        return sorted(
            (
                label
                for label in self.left
                if step.batch in ("", label[0]) and step.best_before in (None, label[1])
            ),
            key=_age,
        )

    def _from(self, labels: Sequence[Label], quantity: int) -> int:
        """Take from some lots; give what they lack."""
        for label in labels:
            if not quantity:
                break
            part = min(self.left[label], quantity)
            quantity -= part
            if part == self.left[label]:
                del self.left[label]
            else:
                self.left[label] -= part
        return quantity

    def lots(self) -> list[Lot]:
        if self.owed:
            return [Lot(*UNLABELLED, -self.owed)]
        return [Lot(*label, self.left[label]) for label in sorted(self.left, key=_age)]


def _age(label: Label) -> date:
    return label[1] or date.max
