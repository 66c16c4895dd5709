"""What a database holds, as far as two made in different ways must agree: asked by a test."""

from django.db import connection
from django.db.migrations.recorder import MigrationRecorder


def parts(sql: str) -> list[str]:
    """The columns and constraints of a CREATE TABLE, in order of the alphabet."""
    found, depth, start = [], 0, sql.index("(") + 1
    for at, sign in enumerate(sql):
        depth += (sign == "(") - (sign == ")")
        if (sign == "," and depth == 1) or (sign == ")" and depth == 0):
            found.append(" ".join(sql[start:at].split()))
            start = at + 1
    return sorted(found)


def sqlite(cursor) -> dict[str, list[str]]:
    cursor.execute("SELECT name, type, sql FROM sqlite_master WHERE sql IS NOT NULL")
    return {
        name: parts(sql) if kind == "table" else [" ".join(sql.split())]
        for name, kind, sql in cursor.fetchall()
        if not name.startswith("sqlite_")
    }


def postgresql(cursor) -> dict[str, list[str]]:
    cursor.execute(
        "SELECT table_name, column_name || ' ' || data_type || ' ' || is_nullable || ' '"
        " || coalesce(column_default, '') || ' ' || coalesce(character_maximum_length, 0)"
        " FROM information_schema.columns WHERE table_schema = 'public'"
        " UNION ALL SELECT tablename, indexdef FROM pg_indexes WHERE schemaname = 'public'"
        " UNION ALL SELECT conrelid::regclass::text, conname || ' ' || pg_get_constraintdef(oid)"
        " FROM pg_constraint WHERE connamespace = 'public'::regnamespace AND conrelid <> 0"
        " UNION ALL SELECT relname, array_to_string(reloptions, ' ') FROM pg_class"
        " WHERE relnamespace = 'public'::regnamespace AND reloptions IS NOT NULL"
    )
    tables: dict[str, list[str]] = {}
    for name, part in cursor.fetchall():
        # in its own join tables Django numbers rows by the width that the settings name, or by its
        # own: a width, not another table
        same = part.replace("id bigint", "id integer") if name.startswith("auth_") else part
        tables.setdefault(name, []).append(same)
    return {name: sorted(found) for name, found in tables.items()}


def counted(cursor, table: str) -> int:
    cursor.execute(f'SELECT count(*) FROM "{table}"')
    return int(cursor.fetchone()[0])


def described() -> dict[str, object]:
    of_its_kind = {"sqlite": sqlite, "postgresql": postgresql}[connection.vendor]
    applied = MigrationRecorder(connection).applied_migrations()
    with connection.cursor() as cursor:
        return {
            "tables": of_its_kind(cursor),
            "rows": {
                name: counted(cursor, name)
                for name in sorted(connection.introspection.table_names())
            },
            "applied": sorted(".".join(key) for key in applied),
        }
