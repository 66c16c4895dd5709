"""Money in minor units of the one currency: cents in, so that sums are exact, and words out."""

from decimal import ROUND_HALF_UP, Decimal

from django.conf import settings

# digits after the point, where they are not two (ISO 4217:2015, list one)
DIGITS = {
    **dict.fromkeys(("BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND"), 3),
    **dict.fromkeys(("BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW", "PYG"), 0),
    **dict.fromkeys(("RWF", "UGX", "VND", "VUV", "XAF", "XOF", "XPF"), 0),
}


def digits() -> int:
    return DIGITS.get(settings.CURRENCY, 2)


def to_minor(amount: float | Decimal) -> int:
    """An amount in whole units of the currency as minor units, rounded half away from zero."""
    scaled = Decimal(str(amount)).scaleb(digits())
    return int(scaled.quantize(Decimal(1), rounding=ROUND_HALF_UP))


def from_minor(minor: int) -> float:
    """Minor units as an amount, for a spreadsheet."""
    return float(Decimal(minor).scaleb(-digits()))


def typed(minor: int) -> str:
    """Minor units as a field holds them, such as 1234.50."""
    return f"{Decimal(minor).scaleb(-digits()):.{digits()}f}"


def words(minor: int | None) -> str:
    """An amount as people read it, such as 1,234.50 EUR; empty where it is not known."""
    if minor is None:
        return ""
    amount = f"{Decimal(minor).scaleb(-digits()):,.{digits()}f}".replace("-", "\N{MINUS SIGN}")
    return f"{amount} {settings.CURRENCY}"
