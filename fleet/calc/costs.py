"""What services cost, in minor units: split exactly, added up, and held against the km driven."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class JobCost:
    """What one job cost.

    Parameters
    ----------
    materials_minor, labour_minor, outside_minor
        Its parts [minor units].
    missing
        What is not known about it, in words.
    """

    materials_minor: int
    labour_minor: int
    outside_minor: int
    missing: tuple[str, ...] = ()


@dataclass(frozen=True)
class Cost:
    """What a group of jobs cost.

    Parameters
    ----------
    materials_minor, labour_minor, outside_minor, total_minor
        Sums [minor units].
    km
        Driven meanwhile; 0 where no reading says [km].
    per_1000_km_minor
        Total per 1,000 km, rounded [minor units]; None without km.
    jobs
        How many.
    missing
        What is not known, each with how often.
    """

    materials_minor: int
    labour_minor: int
    outside_minor: int
    total_minor: int
    km: float
    per_1000_km_minor: int | None
    jobs: int
    missing: tuple[str, ...]


def split(amount: int, weights: Sequence[float]) -> list[int]:
    """Split an amount by weights so that the parts add up to it.

    What rounding leaves goes to the parts that lost the most by it; equal parts without weights.

    Parameters
    ----------
    amount
        To split [minor units].
    weights
        One for each part, none below 0.

    Examples
    --------
    >>> split(100, [1, 1, 1]), split(-10, [3, 1]), split(7, [0, 0])
    ([34, 33, 33], [-8, -2], [4, 3])
    """
    whole = sum(weights)
    shares = [weight / whole if whole > 0 else 1 / len(weights) for weight in weights]
    exact = [abs(amount) * share for share in shares]
    parts = [int(part) for part in exact]
    by_loss = sorted(range(len(parts)), key=lambda at: (parts[at] - exact[at], at))
    for at in by_loss[: abs(amount) - sum(parts)]:
        parts[at] += 1
    return parts if amount >= 0 else [-part for part in parts]


def labour(minutes: int, rate_minor_per_h: int) -> int:
    """Price labour minutes at a rate per hour, rounded half up [minor units].

    Parameters
    ----------
    minutes
        Worked [min].
    rate_minor_per_h
        Rate [minor units per hour].

    Examples
    --------
    >>> labour(40, 6_000), labour(1, 90)
    (4000, 2)
    """
    return (2 * minutes * rate_minor_per_h + 60) // 120


def add_up(jobs: Iterable[JobCost], km: float) -> Cost:
    """Add up jobs and hold them against the km driven.

    Parameters
    ----------
    jobs
        What each cost.
    km
        Driven by the vehicles meanwhile [km].
    """
    found = list(jobs)
    materials = sum(job.materials_minor for job in found)
    work = sum(job.labour_minor for job in found)
    outside = sum(job.outside_minor for job in found)
    total = materials + work + outside
    return Cost(
        materials_minor=materials,
        labour_minor=work,
        outside_minor=outside,
        total_minor=total,
        km=km,
        per_1000_km_minor=round(total * 1000 / km) if km > 0 else None,
        jobs=len(found),
        missing=_missing(found, km),
    )


def _missing(jobs: Sequence[JobCost], km: float) -> tuple[str, ...]:
    counts: dict[str, int] = {}
    for job in jobs:
        for words in job.missing:
            counts[words] = counts.get(words, 0) + 1
    said = [f"{words} ({count} job{'s' * (count != 1)})" for words, count in counts.items()]
    return (*said, *(() if km > 0 else ("no km driven between accepted readings",)))


def sum_of(km_of: Mapping[str, float], names: Iterable[str]) -> float:
    """Add up the km of some vehicles; one that has none counts as 0 [km].

    Parameters
    ----------
    km_of
        Vehicle to km driven [km].
    names
        Vehicles to add up.
    """
    return sum(km_of.get(name, 0.0) for name in names)
