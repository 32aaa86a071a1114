"""The database itself refuses to change or delete a reading, whatever program asks."""

from django.db import migrations

SQLITE = """CREATE TRIGGER reading_no_{verb} BEFORE {verb} ON grading_reading
    BEGIN SELECT RAISE(ABORT, 'readings are never edited or deleted: write a correction'); END"""
POSTGRESQL = [
    """CREATE FUNCTION grading_reading_is_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
       BEGIN RAISE EXCEPTION 'readings are never edited or deleted: write a correction'
             USING ERRCODE = 'integrity_constraint_violation'; END $$""",
    """CREATE TRIGGER reading_append_only BEFORE UPDATE OR DELETE ON grading_reading
       FOR EACH ROW EXECUTE FUNCTION grading_reading_is_append_only()""",
]


def add(apps, schema_editor) -> None:
    if schema_editor.connection.vendor == "postgresql":
        for statement in POSTGRESQL:
            schema_editor.execute(statement)
    else:
        for verb in ("UPDATE", "DELETE"):
            schema_editor.execute(SQLITE.format(verb=verb))


def remove(apps, schema_editor) -> None:
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute("DROP TRIGGER reading_append_only ON grading_reading")
        schema_editor.execute("DROP FUNCTION grading_reading_is_append_only()")
    else:
        for verb in ("UPDATE", "DELETE"):
            schema_editor.execute(f"DROP TRIGGER reading_no_{verb}")


class Migration(migrations.Migration):
    dependencies = [("grading", "0001_initial")]
    operations = [migrations.RunPython(add, remove)]
