"""The grade tables, and what of a data sheet does not fit its grade: a warning, no refusal."""

from collections.abc import Mapping

from fleet.calc.grades import Limit, Misfit, misfits
from fleet.stores.models import GradeLimit, Product

FIGURES = {
    "kv40": "kv40_mm2_s",
    "kv100": "kv100_mm2_s",
    "ccs": "ccs_mpa_s",
    "hths": "hths_mpa_s",
}


def grade_limits() -> list[Limit]:
    """Every row of every table."""
    return [
        Limit(
            table=row.table,
            edition=row.edition,
            grade=row.grade,
            name=row.property,
            least=row.least,
            most=row.most,
            least_included=row.least_included,
            most_included=row.most_included,
            unit=row.unit,
            at_c=row.at_c,
            beside=tuple(row.beside.split()),
        )
        for row in GradeLimit.objects.all()
    ]


def figures_of(values: Mapping[str, float | None]) -> dict[str, float]:
    """Property to figure, of the columns that have one."""
    given = {name: values.get(column) for name, column in FIGURES.items()}
    return {name: value for name, value in given.items() if value is not None}


def misfits_of(product: Product, limits: list[Limit]) -> list[Misfit]:
    figures = figures_of({column: getattr(product, column) for column in FIGURES.values()})
    return misfits(product.grade, figures, limits)
