"""Offered lots. The database itself refuses to change or delete what was forecast, whatever program asks."""

from decimal import Decimal

import django.core.validators
import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models

import stockroom.models.shop

REFUSAL = "a forecast is never edited or deleted: make another"
SQLITE = """CREATE TRIGGER offerforecast_no_{verb} BEFORE {verb} ON grading_offerforecast
    BEGIN SELECT RAISE(ABORT, '{refusal}'); END"""
POSTGRESQL = [
    f"""CREATE FUNCTION grading_offerforecast_is_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
       BEGIN RAISE EXCEPTION '{REFUSAL}' USING ERRCODE = 'integrity_constraint_violation'; END $$""",
    """CREATE TRIGGER offerforecast_append_only BEFORE UPDATE OR DELETE ON grading_offerforecast
       FOR EACH ROW EXECUTE FUNCTION grading_offerforecast_is_append_only()""",
]


def add(apps, schema_editor) -> None:
    if schema_editor.connection.vendor == "postgresql":
        for statement in POSTGRESQL:
            schema_editor.execute(statement)
        return
    for verb in ("UPDATE", "DELETE"):
        schema_editor.execute(SQLITE.format(verb=verb, refusal=REFUSAL))


def remove(apps, schema_editor) -> None:
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute("DROP TRIGGER offerforecast_append_only ON grading_offerforecast")
        schema_editor.execute("DROP FUNCTION grading_offerforecast_is_append_only()")
        return
    for verb in ("UPDATE", "DELETE"):
        schema_editor.execute(f"DROP TRIGGER offerforecast_no_{verb}")


class Migration(migrations.Migration):
    dependencies = [
        ("catalog", "0005_types_in_the_pages"),
        ("grading", "0015_asked_for_and_not_had"),
        ("stockroom", "0018_repricing"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="LotOffer",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("number", models.CharField(editable=False, max_length=12, unique=True)),
                ("offered_on", models.DateField(default=django.utils.timezone.localdate)),
                (
                    "price",
                    stockroom.models.shop.MoneyField(
                        blank=True,
                        decimal_places=3,
                        max_digits=14,
                        null=True,
                        validators=[django.core.validators.MinValueValidator(0)],
                        verbose_name="price asked",
                    ),
                ),
                ("currency", stockroom.models.shop.CurrencyField(default="GBP", max_length=3)),
                (
                    "rate",
                    models.DecimalField(
                        decimal_places=10,
                        default=Decimal("1"),
                        max_digits=16,
                        validators=[django.core.validators.MinValueValidator(Decimal("1E-10"))],
                    ),
                ),
                (
                    "charges",
                    stockroom.models.shop.MoneyField(
                        decimal_places=3,
                        default=Decimal("0"),
                        max_digits=14,
                        validators=[django.core.validators.MinValueValidator(0)],
                        verbose_name="freight, duty and other charges",
                    ),
                ),
                (
                    "return_percent",
                    models.DecimalField(
                        decimal_places=1,
                        default=Decimal("25"),
                        help_text="What the money must earn while it lies in the lot.",
                        max_digits=5,
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(1000),
                        ],
                        verbose_name="return wanted, % a year",
                    ),
                ),
                (
                    "selling_percent",
                    models.DecimalField(
                        decimal_places=1,
                        default=Decimal("10"),
                        help_text="Fees, packing, what comes back.",
                        max_digits=4,
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(99),
                        ],
                        verbose_name="cost of selling, % of the price",
                    ),
                ),
                (
                    "hour_cost",
                    stockroom.models.shop.MoneyField(
                        decimal_places=3,
                        default=Decimal("0"),
                        max_digits=14,
                        validators=[django.core.validators.MinValueValidator(0)],
                        verbose_name="an hour at the bench costs",
                    ),
                ),
                (
                    "pack_cost",
                    stockroom.models.shop.MoneyField(
                        decimal_places=3,
                        default=Decimal("0"),
                        help_text="What a pack loses by being opened, or what the seller asks for it.",
                        max_digits=14,
                        validators=[django.core.validators.MinValueValidator(0)],
                        verbose_name="opening a pack first costs",
                    ),
                ),
                (
                    "months",
                    models.PositiveSmallIntegerField(
                        default=24,
                        help_text="What is left then counts for nothing.",
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(60),
                        ],
                        verbose_name="months to sell it in",
                    ),
                ),
                ("note", models.TextField(blank=True)),
                (
                    "state",
                    models.CharField(
                        choices=[("open", "open"), ("declined", "declined"), ("bought", "bought")],
                        default="open",
                        editable=False,
                        max_length=8,
                    ),
                ),
                ("declined_because", models.CharField(blank=True, editable=False, max_length=200, verbose_name="why")),
                ("decided_at", models.DateTimeField(editable=False, null=True)),
                ("changed_at", models.DateTimeField(default=django.utils.timezone.now, editable=False)),
                ("made_at", models.DateTimeField(default=django.utils.timezone.now, editable=False)),
                (
                    "lot",
                    models.OneToOneField(
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to="stockroom.lot",
                    ),
                ),
                (
                    "made_by",
                    models.ForeignKey(
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "supplier",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="offers", to="stockroom.supplier"
                    ),
                ),
            ],
            options={
                "ordering": ["-offered_on", "-number"],
            },
        ),
        migrations.CreateModel(
            name="LotOfferLine",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "as_marked",
                    models.CharField(
                        blank=True,
                        help_text="Where it is another than the type’s own name.",
                        max_length=40,
                        verbose_name="name on the glass",
                    ),
                ),
                ("number", models.PositiveSmallIntegerField(editable=False)),
                (
                    "condition",
                    models.CharField(
                        choices=[
                            ("nos-sealed", "NOS in sealed pack"),
                            ("nos-boxed", "NOS boxed"),
                            ("nos-bulk", "NOS bulk"),
                            ("used", "Used"),
                        ],
                        max_length=12,
                        verbose_name="condition claimed",
                    ),
                ),
                ("pieces", models.PositiveIntegerField(validators=[django.core.validators.MinValueValidator(1)])),
                (
                    "pack_size",
                    models.PositiveIntegerField(
                        default=1,
                        help_text="Of sealed goods only.",
                        validators=[django.core.validators.MinValueValidator(1)],
                        verbose_name="pieces in a sealed pack",
                    ),
                ),
                (
                    "price_each",
                    stockroom.models.shop.MoneyField(
                        blank=True,
                        decimal_places=3,
                        help_text="Only if you know better than the shop’s own sales.",
                        max_digits=14,
                        null=True,
                        validators=[django.core.validators.MinValueValidator(0)],
                        verbose_name="a good one brings",
                    ),
                ),
                ("note", models.CharField(blank=True, max_length=300)),
                (
                    "maker",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="stockroom.maker",
                        verbose_name="marked maker",
                    ),
                ),
                (
                    "offer",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="lines", to="grading.lotoffer"
                    ),
                ),
                (
                    "type",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="catalog.valvetype"
                    ),
                ),
            ],
            options={
                "ordering": ["offer", "number"],
            },
        ),
        migrations.CreateModel(
            name="OfferFile",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("name", models.CharField(max_length=200, verbose_name="name as sent")),
                ("sha256", models.CharField(db_index=True, max_length=64, verbose_name="SHA-256")),
                ("data", models.BinaryField()),
                ("parsed", models.BinaryField(null=True)),
                ("choices", models.JSONField(default=dict)),
                ("uploaded_at", models.DateTimeField(default=django.utils.timezone.now, editable=False)),
                ("imported_at", models.DateTimeField(editable=False, null=True)),
                ("line_count", models.PositiveIntegerField(editable=False, null=True)),
                (
                    "imported_by",
                    models.ForeignKey(
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "offer",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="files", to="grading.lotoffer"
                    ),
                ),
                (
                    "uploaded_by",
                    models.ForeignKey(
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "ordering": ["-id"],
                "abstract": False,
            },
        ),
        migrations.CreateModel(
            name="OfferForecast",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("made_at", models.DateTimeField(default=django.utils.timezone.now)),
                ("currency", stockroom.models.shop.CurrencyField(max_length=3)),
                ("proceeds", stockroom.models.shop.MoneyField(decimal_places=3, max_digits=14, null=True)),
                ("proceeds_low", stockroom.models.shop.MoneyField(decimal_places=3, max_digits=14, null=True)),
                ("proceeds_high", stockroom.models.shop.MoneyField(decimal_places=3, max_digits=14, null=True)),
                (
                    "most",
                    stockroom.models.shop.MoneyField(
                        decimal_places=3, max_digits=14, null=True, verbose_name="most to pay"
                    ),
                ),
                ("most_low", stockroom.models.shop.MoneyField(decimal_places=3, max_digits=14, null=True)),
                ("most_high", stockroom.models.shop.MoneyField(decimal_places=3, max_digits=14, null=True)),
                (
                    "most_surely",
                    stockroom.models.shop.MoneyField(
                        decimal_places=3, max_digits=14, null=True, verbose_name="most to pay with a chance of 4 in 5"
                    ),
                ),
                ("chance", models.FloatField(null=True, verbose_name="chance of the return at the price asked")),
                ("content", models.JSONField()),
                ("seed", models.PositiveBigIntegerField()),
                (
                    "made_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "offer",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="forecasts", to="grading.lotoffer"
                    ),
                ),
            ],
            options={
                "ordering": ["-made_at", "-id"],
            },
        ),
        migrations.AddConstraint(
            model_name="lotoffer",
            constraint=models.CheckConstraint(
                condition=models.Q(("rate__gt", 0)), name="an_offer_has_a_rate_above_nothing"
            ),
        ),
        migrations.AddConstraint(
            model_name="lotofferline",
            constraint=models.UniqueConstraint(fields=("offer", "number"), name="offer_line_numbers_differ"),
        ),
        migrations.RunPython(add, remove),
    ]
