"""Questions about a typed torque or quantity that looks like a slip of unit or decimal point.

Nothing is refused: it is asked about, with every slip that fits. It compares with the figure of the
same plug or compartment only. The strength of a bolt says nothing here: a drain plug of 35 N·m
typed as 47.5 stays far below what its thread would bear.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

_DIGITS = re.compile(r"[0-9.]+")
TORQUE_TOLERANCE = 0.10  # share, where the step states none; our choice
SLIP_SHARE = 0.03  # a slip fits within so much of its factor; our choice
UNSEEN_RATIO = 1.356  # a range this wide hides a slip between lbf·ft and N·m

# N·m per lbf·ft, lbf·in, kgf·m and kgf·cm follow from 0.3048 m, 0.0254 m, 0.45359237 kg and
# 9.80665 m/s², all exact by definition (NIST SP 811, 2008, appendix B).
NM_PER_LBF_FT = 0.3048 * 0.45359237 * 9.80665
NM_PER_LBF_IN = NM_PER_LBF_FT / 12
NM_PER_KGF_M = 9.80665
NM_PER_KGF_CM = 0.0980665
LBF_FT_PER_KGF_M = NM_PER_KGF_M / NM_PER_LBF_FT

# What typed ÷ reference shows when the right figure was typed in the wrong unit.
TORQUE_SLIPS: tuple[tuple[float, str], ...] = (
    (NM_PER_LBF_FT, "the figure in N·m, read as lbf·ft"),
    (1 / NM_PER_LBF_FT, "lbf·ft instead of N·m"),
    (1 / NM_PER_LBF_IN, "lbf·in instead of N·m"),
    (NM_PER_LBF_IN, "N·m instead of lbf·in"),
    (LBF_FT_PER_KGF_M, "lbf·ft instead of kgf·m"),
    (1 / LBF_FT_PER_KGF_M, "kgf·m instead of lbf·ft"),
    (NM_PER_KGF_M, "N·m instead of kgf·m"),
    (1 / NM_PER_KGF_M, "kgf·m instead of N·m"),
    (1 / NM_PER_KGF_CM, "kgf·cm instead of N·m"),
    (NM_PER_KGF_CM, "N·m instead of kgf·cm"),
    (10.0, "decimal point one place to the right"),
    (0.1, "decimal point one place to the left"),
)
INCH_SLIPS: tuple[tuple[float, str], ...] = (
    (12.0, "lbf·in instead of lbf·ft"),
    (1 / 12, "lbf·ft instead of lbf·in"),
)
INCH_UNITS = ("lbf·ft", "lbf·in")

LITRES_PER_US_GALLON, LITRES_PER_IMPERIAL_GALLON = 3.785411784, 4.54609
LITRES_PER_US_PINT, LITRES_PER_IMPERIAL_PINT = 0.473176473, 0.56826125
LITRES_PER_IMPERIAL_QUART = 1.1365225
LITRE_SLIPS: tuple[tuple[float, str], ...] = (
    (1 / LITRES_PER_US_GALLON, "US gallons instead of litres"),
    (1 / LITRES_PER_IMPERIAL_GALLON, "imperial gallons instead of litres"),
    (LITRES_PER_US_GALLON, "litres instead of US gallons"),
    (LITRES_PER_IMPERIAL_GALLON, "litres instead of imperial gallons"),
    (LITRES_PER_US_PINT, "litres instead of US pints"),
    (1 / LITRES_PER_US_PINT, "US pints instead of litres"),
    (LITRES_PER_IMPERIAL_PINT, "litres instead of imperial pints"),
    (1 / LITRES_PER_IMPERIAL_PINT, "imperial pints instead of litres"),
    (LITRES_PER_IMPERIAL_QUART, "litres instead of imperial quarts"),
    (10.0, "decimal point one place to the right"),
    (0.1, "decimal point one place to the left"),
    (100.0, "decimal point two places to the right"),
    (1000.0, "millilitres instead of litres"),
)


@dataclass(frozen=True)
class Slip:
    """One slip that would explain what was typed."""

    words: str
    meant: float  # the value that would have been meant [N·m or L]


@dataclass(frozen=True)
class Ask:
    """A question about a value outside its tolerance."""

    text: str
    slips: tuple[Slip, ...]  # nearest first


def torque_question(
    typed_nm: float,
    reference_nm: float,
    *,
    reference_max_nm: float | None = None,
    stated_unit: str = "N·m",
    tolerance: float | None = None,
    typed_text: str = "",
) -> Ask | None:
    """Ask about a torque that lies outside its tolerance.

    Parameters
    ----------
    typed_nm
        Torque as typed, taken as N·m [N·m].
    reference_nm, reference_max_nm
        Figure of the same fastener, or the ends of its range [N·m].
    stated_unit
        Unit of the source figure: twelvefold slips make sense only where it knows inches.
    tolerance
        Share allowed on either side, default 10 %.
    typed_text
        The digits as typed, which say how finely the value was given.

    Returns
    -------
    Ask or None
        None when the value stands.

    Raises
    ------
    ValueError
        When a torque is not a positive number.
    """
    _positive(typed_nm, "torque")
    top_nm = reference_nm if reference_max_nm is None else reference_max_nm
    _positive(reference_nm, "reference torque")
    if top_nm < reference_nm:
        raise ValueError(f"the range {reference_nm:g} to {top_nm:g} N·m is the wrong way round")
    share = TORQUE_TOLERANCE if tolerance is None else tolerance
    if _within(typed_nm, reference_nm, top_nm, share, share):
        return None
    near_nm = _nearer_end(typed_nm, reference_nm, top_nm)
    known = TORQUE_SLIPS + (INCH_SLIPS if stated_unit in INCH_UNITS else ())
    slips = _fitting(typed_nm, near_nm, known, typed_text)
    figure = (
        f"{reference_nm:g} N·m"
        if top_nm == reference_nm
        else (f"{reference_nm:g} to {top_nm:g} N·m")
    )
    text = f"{typed_nm:g} N·m, but the figure is {figure}. Is that right?"
    if top_nm / reference_nm >= UNSEEN_RATIO:
        text += " The range is so wide that a slip between lbf·ft and N·m cannot be seen."
    return Ask(text, slips)


def litres_question(
    typed_l: float,
    refill_l: float,
    *,
    already_l: float = 0.0,
    dry_fill_l: float | None = None,
    low: float = 0.15,
    high: float = 0.10,
    typed_text: str = "",
) -> Ask | None:
    """Ask about a quantity that lies outside what a service refill takes.

    Parameters
    ----------
    typed_l
        Quantity as typed, taken as litres [L].
    refill_l, dry_fill_l
        What a service refill and a filling from dry take [L].
    already_l
        What the same job filled before; the total is judged [L].
    low, high
        Shares allowed below and above the refill; our choice. 1 below allows any lesser
        quantity: at a record more may follow.

    Returns
    -------
    Ask or None
        None when the value stands. A US quart lies inside the usual tolerance and cannot be
        told from a normal refill.

    Raises
    ------
    ValueError
        When a quantity is not a positive number.
    """
    _positive(typed_l, "quantity")
    _positive(refill_l, "refill")
    total_l = already_l + typed_l
    if _within(total_l, refill_l, refill_l, low, high):
        return None
    in_all = f", {total_l:g} L in all" if already_l else ""
    text = f"{typed_l:g} L{in_all}, but a service refill takes {refill_l:g} L. Is that right?"
    slips = _fitting(typed_l, refill_l, LITRE_SLIPS, typed_text)
    if dry_fill_l is not None and _within(typed_l, dry_fill_l, dry_fill_l, low, high):
        slips = (Slip("the dry fill instead of the service refill", refill_l), *slips)
    return Ask(text, slips)


def _positive(value: float, name: str) -> None:
    if not (math.isfinite(value) and value > 0):
        raise ValueError(f"the {name} must be a number above 0")


def _within(typed: float, low_end: float, high_end: float, low: float, high: float) -> bool:
    slack = 1 + 1e-9  # 1.65 is not above 1.1 × 1.5 because of the last bit
    return low_end * (1 - low) <= typed * slack and typed <= high_end * (1 + high) * slack


def _nearer_end(typed: float, low_end: float, high_end: float) -> float:
    below = abs(math.log(typed / low_end)) <= abs(math.log(typed / high_end))
    return low_end if below else high_end


def _fitting(
    typed: float, reference: float, known: Sequence[tuple[float, str]], typed_text: str
) -> tuple[Slip, ...]:
    """Slips within 3 % of their factor or half a unit of the last typed digit, nearest first."""
    room = max(SLIP_SHARE, _half_last_digit_share(typed_text or f"{typed:g}"))
    found = []
    for factor, words in known:
        off = abs(math.log(typed / reference / factor))
        if off <= math.log1p(room) * (1 + 1e-9):
            found.append((off, Slip(words, typed / factor)))
    return tuple(slip for _, slip in sorted(found, key=lambda pair: pair[0]))


def _half_last_digit_share(text: str) -> float:
    """Half a unit of the last digit of a number as typed, in whatever unit, as a share of it."""
    found = _DIGITS.search(text.replace(",", "."))
    try:
        digits = Decimal(found[0] if found else "")
    except InvalidOperation:
        return 0.0
    return 0.5 * 10.0 ** int(digits.as_tuple().exponent) / float(digits) if digits else 0.0
