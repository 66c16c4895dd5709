import csv

from django.conf import settings
from django.db import migrations


def bring(apps, schema_editor):
    limits = apps.get_model("stores", "GradeLimit")
    path = settings.BASE_DIR / "fixtures" / "grades.csv"
    with path.open(encoding="utf-8", newline="") as file:
        limits.objects.bulk_create(
            [
                limits(
                    table=row["Table"],
                    edition=row["Edition"],
                    grade=row["Grade"],
                    property=row["Property"],
                    least=float(row["Least"]) if row["Least"] else None,
                    most=float(row["Most"]) if row["Most"] else None,
                    least_included=row["Least included"] == "yes",
                    most_included=row["Most included"] == "yes",
                    unit=row["Unit"],
                    at_c=float(row["At [°C]"]),
                    beside=row["With"],
                    source=row["Source"],
                )
                for row in csv.DictReader(file)
            ]
        )


class Migration(migrations.Migration):
    dependencies = [("stores", "0004_grade_limits_and_data_sheets")]

    operations = [
        migrations.RunPython(
            bring, migrations.RunPython.noop, hints={"new_database_too": True}, elidable=False
        )
    ]
