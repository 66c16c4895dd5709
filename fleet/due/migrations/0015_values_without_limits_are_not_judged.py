"""A value whose figure has no limits was called a pass, which nobody had said."""

from typing import Any

from django.db import migrations, models

UNLIMITED = {
    f"figure__{name}": None for name in ("pass_from", "pass_to", "watch_from", "watch_to")
}


def judge_no_more(apps: Any, schema_editor: Any) -> None:
    rows = apps.get_model("due", "CheckResult").objects.filter(outcome="pass", **UNLIMITED)
    rows.exclude(figure__follows_frost=True).update(outcome="not judged")


def pass_again(apps: Any, schema_editor: Any) -> None:
    rows = apps.get_model("due", "CheckResult").objects.filter(outcome="not judged")
    rows.update(outcome="pass")


class Migration(migrations.Migration):
    dependencies = [("due", "0014_calls_have_an_instant")]
    operations = [
        migrations.AlterField(
            model_name="checkresult",
            name="outcome",
            field=models.CharField(
                choices=[
                    ("pass", "Pass"),
                    ("watch", "Watch"),
                    ("fail", "Fail"),
                    ("not judged", "Not Judged"),
                ],
                max_length=10,
            ),
        ),
        migrations.RunPython(judge_no_more, pass_again),
    ]
