from typing import Any

from django.db import migrations

FULL_PERCENT = 45  # our choice: a row is written again once, a little longer, when it is judged


def keep_room(apps: Any, schema_editor: Any) -> None:
    """On PostgreSQL a row that stays on its page needs no new entries in the indexes; what is
    left behind there makes room for later rows."""
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute(f"ALTER TABLE readings_uploadrow SET (fillfactor = {FULL_PERCENT})")


def fill(apps: Any, schema_editor: Any) -> None:
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute("ALTER TABLE readings_uploadrow RESET (fillfactor)")


class Migration(migrations.Migration):
    dependencies = [("readings", "0009_corrections_of_rows")]
    operations = [migrations.RunPython(keep_room, fill, hints={"new_database_too": True})]
