"""What a listing was asked for before its price changed. The database itself refuses to change or delete it."""

import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models

import stockroom.models.shop

REFUSAL = "the books are never edited or deleted: write another that puts them right"
SQLITE = f"""CREATE TRIGGER stockroom_repricing_no_{{verb}} BEFORE {{verb}} ON stockroom_repricing
    BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"""
# The function is that of 0016.
POSTGRESQL = """CREATE TRIGGER stockroom_repricing_append_only BEFORE UPDATE OR DELETE ON stockroom_repricing
    FOR EACH ROW EXECUTE FUNCTION stockroom_books_are_append_only()"""


def add(apps, schema_editor) -> None:
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute(POSTGRESQL)
        return
    for verb in ("UPDATE", "DELETE"):
        schema_editor.execute(SQLITE.format(verb=verb))


def remove(apps, schema_editor) -> None:
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute("DROP TRIGGER stockroom_repricing_append_only ON stockroom_repricing")
        return
    for verb in ("UPDATE", "DELETE"):
        schema_editor.execute(f"DROP TRIGGER stockroom_repricing_no_{verb}")


class Migration(migrations.Migration):
    dependencies = [
        ("stockroom", "0017_marks_and_construction_years"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="Repricing",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("before", stockroom.models.shop.MoneyField(decimal_places=3, max_digits=14)),
                ("after", stockroom.models.shop.MoneyField(decimal_places=3, max_digits=14)),
                ("because", models.CharField(blank=True, max_length=200)),
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
                    "listing",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="repricings", to="stockroom.listing"
                    ),
                ),
            ],
            options={
                "ordering": ["at", "id"],
            },
        ),
        migrations.RunPython(add, remove),
    ]
