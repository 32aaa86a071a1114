"""Sealed packs on orders, their seals, the readings of their date. A broken seal is never undone."""

import django.core.validators
import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models

SQLITE = """CREATE TRIGGER broken_seal_no_{verb} BEFORE {verb} ON stockroom_brokenseal
    BEGIN SELECT RAISE(ABORT, 'a broken seal is never edited or deleted'); END"""
POSTGRESQL = """CREATE TRIGGER broken_seal_append_only BEFORE UPDATE OR DELETE ON stockroom_brokenseal
    FOR EACH ROW EXECUTE FUNCTION stockroom_sealed_is_append_only()"""  # of the migration before


def add(apps, schema_editor) -> None:
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute(POSTGRESQL)
    else:
        for verb in ("UPDATE", "DELETE"):
            schema_editor.execute(SQLITE.format(verb=verb))


def remove(apps, schema_editor) -> None:
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute("DROP TRIGGER broken_seal_append_only ON stockroom_brokenseal")
    else:
        for verb in ("UPDATE", "DELETE"):
            schema_editor.execute(f"DROP TRIGGER broken_seal_no_{verb}")


class Migration(migrations.Migration):
    dependencies = [
        ("catalog", "0001_initial"),
        ("stockroom", "0004_sealed_stock_and_claims"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="BrokenSeal",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("because", models.CharField(max_length=200)),
                ("at", models.DateTimeField(default=django.utils.timezone.now)),
            ],
            options={
                "ordering": ["at", "id"],
            },
        ),
        migrations.CreateModel(
            name="PackDateReading",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("at", models.DateTimeField(default=django.utils.timezone.now, editable=False)),
                ("code", models.CharField(max_length=40, verbose_name="code as stamped")),
                (
                    "form",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("EIA", "EIA source and date code"),
                            ("EIA_SOURCE", "EIA source code without a date"),
                            ("YEAR_WEEK", "year and week"),
                            ("WEEK_YEAR", "week and year"),
                            ("YEAR_MONTH", "year and month"),
                            ("MONTH_YEAR", "month and year"),
                            ("MONTH_LETTER", "month letter"),
                            ("HALF_MONTH_LETTER", "half-month letter"),
                            ("WEEK_LETTER", "week letter"),
                            ("YEAR_LETTER", "year letter and week"),
                            ("ROMAN_MONTH", "month in Roman figures"),
                            ("WRITTEN_DATE", "written date"),
                            ("QUARTER", "quarter of a year"),
                            ("YEAR", "year"),
                            ("ISO_WEEK", "ISO 8601 week date"),
                        ],
                        max_length=20,
                    ),
                ),
                ("detail", models.CharField(blank=True, max_length=120, verbose_name="reading")),
                ("source_code", models.CharField(blank=True, max_length=4)),
                ("earliest", models.DateField(null=True)),
                ("latest", models.DateField(null=True)),
                ("alternatives", models.JSONField(default=list)),
                ("standing", models.BooleanField(default=True)),
            ],
            options={
                "ordering": ["-id"],
            },
        ),
        migrations.AddField(
            model_name="line",
            name="returned_positions",
            field=models.JSONField(default=list, editable=False, verbose_name="sent back with a serial, by position"),
        ),
        migrations.AddField(
            model_name="listing",
            name="ended_because",
            field=models.CharField(blank=True, editable=False, max_length=200),
        ),
        migrations.AddField(
            model_name="orderline",
            name="sealed",
            field=models.BooleanField(default=False, verbose_name="in sealed packs, sample-tested"),
        ),
        migrations.AddField(
            model_name="return",
            name="seal",
            field=models.CharField(
                blank=True, choices=[("intact", "seal intact"), ("broken", "seal broken")], max_length=6
            ),
        ),
        migrations.AlterField(
            model_name="orderline",
            name="set_size",
            field=models.PositiveSmallIntegerField(
                default=1,
                validators=[
                    django.core.validators.MinValueValidator(1),
                    django.core.validators.MaxValueValidator(1000),
                ],
                verbose_name="pieces in each",
            ),
        ),
        migrations.AddConstraint(
            model_name="orderline",
            constraint=models.CheckConstraint(
                condition=models.Q(("sealed", True), ("set_size__lte", 12), _connector="OR"),
                name="a_matched_set_is_of_twelve_at_most",
            ),
        ),
        migrations.AddConstraint(
            model_name="orderline",
            constraint=models.CheckConstraint(
                condition=models.Q(("sealed", False), ("max_spread_percent", None), _connector="OR"),
                name="sealed_packs_match_nothing",
            ),
        ),
        migrations.AddField(
            model_name="brokenseal",
            name="by",
            field=models.ForeignKey(
                null=True, on_delete=django.db.models.deletion.PROTECT, related_name="+", to=settings.AUTH_USER_MODEL
            ),
        ),
        migrations.AddField(
            model_name="brokenseal",
            name="pack",
            field=models.OneToOneField(
                on_delete=django.db.models.deletion.PROTECT, related_name="broken_seal", to="stockroom.pack"
            ),
        ),
        migrations.AddField(
            model_name="packdatereading",
            name="by",
            field=models.ForeignKey(
                editable=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="packdatereading",
            name="packing",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT, related_name="date_readings", to="stockroom.packing"
            ),
        ),
        migrations.AddConstraint(
            model_name="packdatereading",
            constraint=models.UniqueConstraint(
                condition=models.Q(("standing", True)),
                fields=("packing",),
                name="one_standing_date_reading_per_packing",
            ),
        ),
        migrations.RunPython(add, remove),
    ]
