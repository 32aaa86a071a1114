"""The books. The database itself refuses to change or delete an entry or a posting, whatever program asks."""

from decimal import Decimal

import django.core.validators
import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models

TABLES = ("stockroom_ledgerentry", "stockroom_posting")
REFUSAL = "the books are never edited or deleted: write another entry"
SQLITE = """CREATE TRIGGER {table}_no_{verb} BEFORE {verb} ON {table}
    BEGIN SELECT RAISE(ABORT, '{refusal}'); END"""
FUNCTION = f"""CREATE FUNCTION stockroom_books_are_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN RAISE EXCEPTION '{REFUSAL}' USING ERRCODE = 'integrity_constraint_violation'; END $$"""
POSTGRESQL = """CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE ON {table}
    FOR EACH ROW EXECUTE FUNCTION stockroom_books_are_append_only()"""


def add(apps, schema_editor) -> None:
    postgresql = schema_editor.connection.vendor == "postgresql"
    if postgresql:
        schema_editor.execute(FUNCTION)
    for table in TABLES:
        if postgresql:
            schema_editor.execute(POSTGRESQL.format(table=table))
            continue
        for verb in ("UPDATE", "DELETE"):
            schema_editor.execute(SQLITE.format(table=table, verb=verb, refusal=REFUSAL))


def remove(apps, schema_editor) -> None:
    postgresql = schema_editor.connection.vendor == "postgresql"
    for table in TABLES:
        for trigger in ("append_only",) if postgresql else ("no_UPDATE", "no_DELETE"):
            schema_editor.execute(f"DROP TRIGGER {table}_{trigger}{f' ON {table}' if postgresql else ''}")
    if postgresql:
        schema_editor.execute("DROP FUNCTION stockroom_books_are_append_only()")


class Migration(migrations.Migration):
    dependencies = [
        ("stockroom", "0012_wrong_and_broken_pieces"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="LedgerEntry",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("on", models.DateField(db_index=True, default=django.utils.timezone.localdate, verbose_name="day")),
                ("text", models.CharField(max_length=200)),
                ("at", models.DateTimeField(default=django.utils.timezone.now)),
                (
                    "by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "verbose_name_plural": "ledger entries",
                "ordering": ["-on", "-id"],
            },
        ),
        migrations.CreateModel(
            name="Posting",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("account", models.CharField(db_index=True, max_length=20)),
                ("thousandths", models.BigIntegerField()),
                (
                    "entry",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="postings", to="stockroom.ledgerentry"
                    ),
                ),
                (
                    "line",
                    models.ForeignKey(
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.DO_NOTHING,
                        related_name="+",
                        to="stockroom.line",
                    ),
                ),
                (
                    "lot",
                    models.ForeignKey(
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.DO_NOTHING,
                        related_name="+",
                        to="stockroom.lot",
                    ),
                ),
                (
                    "order",
                    models.ForeignKey(
                        null=True, on_delete=django.db.models.deletion.PROTECT, related_name="+", to="stockroom.order"
                    ),
                ),
                (
                    "valve",
                    models.ForeignKey(
                        null=True, on_delete=django.db.models.deletion.PROTECT, related_name="+", to="stockroom.valve"
                    ),
                ),
            ],
            options={
                "ordering": ["id"],
            },
        ),
        migrations.CreateModel(
            name="OrderRate",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "rate",
                    models.DecimalField(
                        decimal_places=10,
                        max_digits=16,
                        validators=[django.core.validators.MinValueValidator(Decimal("1E-10"))],
                    ),
                ),
                ("at", models.DateTimeField(default=django.utils.timezone.now)),
                (
                    "by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "order",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT, related_name="home_rate", to="stockroom.order"
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("rate__gt", 0)), name="an_order_rate_is_above_nothing")
                ],
            },
        ),
        migrations.RunPython(add, remove),
    ]
