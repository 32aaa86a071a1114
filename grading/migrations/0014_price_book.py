"""The price book. The database itself refuses to change or delete a version of a rule."""

import django.core.validators
import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models

import stockroom.models.shop

REFUSAL = "a version of a price rule is never edited or deleted: write another"
SQLITE = f"""CREATE TRIGGER grading_pricerule_no_{{verb}} BEFORE {{verb}} ON grading_pricerule
    BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"""
FUNCTION = f"""CREATE FUNCTION grading_price_rule_is_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN RAISE EXCEPTION '{REFUSAL}' USING ERRCODE = 'integrity_constraint_violation'; END $$"""
POSTGRESQL = """CREATE TRIGGER grading_pricerule_append_only BEFORE UPDATE OR DELETE ON grading_pricerule
    FOR EACH ROW EXECUTE FUNCTION grading_price_rule_is_append_only()"""


def add(apps, schema_editor) -> None:
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute(FUNCTION)
        schema_editor.execute(POSTGRESQL)
        return
    for verb in ("UPDATE", "DELETE"):
        schema_editor.execute(SQLITE.format(verb=verb))


def remove(apps, schema_editor) -> None:
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute("DROP TRIGGER grading_pricerule_append_only ON grading_pricerule")
        schema_editor.execute("DROP FUNCTION grading_price_rule_is_append_only()")
        return
    for verb in ("UPDATE", "DELETE"):
        schema_editor.execute(f"DROP TRIGGER grading_pricerule_no_{verb}")


class Migration(migrations.Migration):
    dependencies = [
        ("catalog", "0005_types_in_the_pages"),
        ("grading", "0013_studies_set_aside"),
        ("stockroom", "0018_repricing"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="PriceRule",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("as_marked", models.CharField(blank=True, max_length=40, verbose_name="name on the glass")),
                ("grade", models.CharField(blank=True, max_length=40)),
                (
                    "condition",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("nos-sealed", "NOS in sealed pack"),
                            ("nos-boxed", "NOS boxed"),
                            ("nos-bulk", "NOS bulk"),
                            ("used", "Used"),
                        ],
                        max_length=12,
                        verbose_name="bought in as",
                    ),
                ),
                ("construction", models.CharField(blank=True, max_length=60)),
                (
                    "set_size",
                    models.PositiveSmallIntegerField(
                        blank=True,
                        help_text="1 for singles.",
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(12),
                        ],
                        verbose_name="pieces in a set",
                    ),
                ),
                (
                    "within_percent",
                    models.FloatField(
                        blank=True,
                        help_text="Sets made within this or closer.",
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(0.1),
                            django.core.validators.MaxValueValidator(100),
                        ],
                        verbose_name="matched within, %",
                    ),
                ),
                (
                    "how",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("tested", "tested and graded"),
                            ("untested", "untested, as received"),
                            ("sealed", "in a sealed pack"),
                        ],
                        max_length=8,
                        verbose_name="sold as",
                    ),
                ),
                (
                    "effect",
                    models.CharField(
                        choices=[
                            ("price", "Base price: an amount"),
                            ("times-cost", "Base price: so many times the cost"),
                            ("factor", "Factor on the price so far"),
                            ("amount", "Amount added to the price so far"),
                            ("floor", "Floor: no less than so many times the cost"),
                            ("rounding", "Rounding"),
                        ],
                        max_length=10,
                        verbose_name="what it does",
                    ),
                ),
                (
                    "heading",
                    models.CharField(
                        blank=True,
                        help_text="Such as Grade or Set: of the rules under one heading, one speaks.",
                        max_length=30,
                    ),
                ),
                (
                    "amount",
                    stockroom.models.shop.MoneyField(
                        blank=True, decimal_places=3, help_text="Below nothing takes off.", max_digits=14, null=True
                    ),
                ),
                (
                    "of_set",
                    models.BooleanField(default=False, verbose_name="the amount is of a whole set, not a piece"),
                ),
                (
                    "factor",
                    models.DecimalField(
                        blank=True,
                        decimal_places=4,
                        max_digits=9,
                        null=True,
                        validators=[django.core.validators.MinValueValidator(0)],
                        verbose_name="times",
                    ),
                ),
                (
                    "step",
                    stockroom.models.shop.MoneyField(
                        blank=True,
                        decimal_places=3,
                        help_text="1, 0.50, 5 …",
                        max_digits=14,
                        null=True,
                        verbose_name="round to",
                    ),
                ),
                (
                    "ending",
                    stockroom.models.shop.MoneyField(
                        blank=True,
                        decimal_places=3,
                        help_text="0.90 with a step of 1 gives 0.90, 1.90, 2.90 …",
                        max_digits=14,
                        null=True,
                    ),
                ),
                (
                    "direction",
                    models.CharField(
                        choices=[("nearest", "to the nearest"), ("up", "up"), ("down", "down")],
                        default="nearest",
                        max_length=8,
                        verbose_name="which way",
                    ),
                ),
                (
                    "place",
                    models.PositiveSmallIntegerField(
                        default=100,
                        help_text="Of rules as particular as each other, the lower speaks.",
                        verbose_name="order in the book",
                    ),
                ),
                ("number", models.PositiveIntegerField()),
                ("withdrawn", models.BooleanField(default=False)),
                ("currency", stockroom.models.shop.CurrencyField(max_length=3)),
                ("reason", models.CharField(max_length=200, verbose_name="why")),
                ("at", models.DateTimeField(db_index=True, default=django.utils.timezone.now)),
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
                    "replaces",
                    models.OneToOneField(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="replaced_by",
                        to="grading.pricerule",
                    ),
                ),
                (
                    "type",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="catalog.valvetype",
                    ),
                ),
            ],
            options={
                "ordering": ["place", "number"],
                "abstract": False,
            },
        ),
        migrations.CreateModel(
            name="PriceDraft",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("as_marked", models.CharField(blank=True, max_length=40, verbose_name="name on the glass")),
                ("grade", models.CharField(blank=True, max_length=40)),
                (
                    "condition",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("nos-sealed", "NOS in sealed pack"),
                            ("nos-boxed", "NOS boxed"),
                            ("nos-bulk", "NOS bulk"),
                            ("used", "Used"),
                        ],
                        max_length=12,
                        verbose_name="bought in as",
                    ),
                ),
                ("construction", models.CharField(blank=True, max_length=60)),
                (
                    "set_size",
                    models.PositiveSmallIntegerField(
                        blank=True,
                        help_text="1 for singles.",
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(12),
                        ],
                        verbose_name="pieces in a set",
                    ),
                ),
                (
                    "within_percent",
                    models.FloatField(
                        blank=True,
                        help_text="Sets made within this or closer.",
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(0.1),
                            django.core.validators.MaxValueValidator(100),
                        ],
                        verbose_name="matched within, %",
                    ),
                ),
                (
                    "how",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("tested", "tested and graded"),
                            ("untested", "untested, as received"),
                            ("sealed", "in a sealed pack"),
                        ],
                        max_length=8,
                        verbose_name="sold as",
                    ),
                ),
                (
                    "effect",
                    models.CharField(
                        choices=[
                            ("price", "Base price: an amount"),
                            ("times-cost", "Base price: so many times the cost"),
                            ("factor", "Factor on the price so far"),
                            ("amount", "Amount added to the price so far"),
                            ("floor", "Floor: no less than so many times the cost"),
                            ("rounding", "Rounding"),
                        ],
                        max_length=10,
                        verbose_name="what it does",
                    ),
                ),
                (
                    "heading",
                    models.CharField(
                        blank=True,
                        help_text="Such as Grade or Set: of the rules under one heading, one speaks.",
                        max_length=30,
                    ),
                ),
                (
                    "amount",
                    stockroom.models.shop.MoneyField(
                        blank=True, decimal_places=3, help_text="Below nothing takes off.", max_digits=14, null=True
                    ),
                ),
                (
                    "of_set",
                    models.BooleanField(default=False, verbose_name="the amount is of a whole set, not a piece"),
                ),
                (
                    "factor",
                    models.DecimalField(
                        blank=True,
                        decimal_places=4,
                        max_digits=9,
                        null=True,
                        validators=[django.core.validators.MinValueValidator(0)],
                        verbose_name="times",
                    ),
                ),
                (
                    "step",
                    stockroom.models.shop.MoneyField(
                        blank=True,
                        decimal_places=3,
                        help_text="1, 0.50, 5 …",
                        max_digits=14,
                        null=True,
                        verbose_name="round to",
                    ),
                ),
                (
                    "ending",
                    stockroom.models.shop.MoneyField(
                        blank=True,
                        decimal_places=3,
                        help_text="0.90 with a step of 1 gives 0.90, 1.90, 2.90 …",
                        max_digits=14,
                        null=True,
                    ),
                ),
                (
                    "direction",
                    models.CharField(
                        choices=[("nearest", "to the nearest"), ("up", "up"), ("down", "down")],
                        default="nearest",
                        max_length=8,
                        verbose_name="which way",
                    ),
                ),
                (
                    "place",
                    models.PositiveSmallIntegerField(
                        default=100,
                        help_text="Of rules as particular as each other, the lower speaks.",
                        verbose_name="order in the book",
                    ),
                ),
                ("withdrawn", models.BooleanField(default=False, editable=False)),
                ("reason", models.CharField(max_length=200, verbose_name="why")),
                ("made_at", models.DateTimeField(default=django.utils.timezone.now, editable=False)),
                ("book", models.PositiveBigIntegerField(editable=False, null=True)),
                ("sums", models.JSONField(default=dict, editable=False)),
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
                    "type",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="catalog.valvetype",
                    ),
                ),
                (
                    "became",
                    models.OneToOneField(
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="draft",
                        to="grading.pricerule",
                    ),
                ),
                (
                    "replaces",
                    models.ForeignKey(
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="grading.pricerule",
                    ),
                ),
            ],
            options={
                "ordering": ["-pk"],
                "abstract": False,
            },
        ),
        migrations.CreateModel(
            name="DraftedPrice",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("asked", stockroom.models.shop.MoneyField(decimal_places=3, max_digits=14)),
                ("before", stockroom.models.shop.MoneyField(decimal_places=3, max_digits=14, null=True)),
                ("after", stockroom.models.shop.MoneyField(decimal_places=3, max_digits=14, null=True)),
                ("by_hand", models.BooleanField()),
                ("why", models.TextField(blank=True)),
                ("outcome", models.CharField(blank=True, max_length=200)),
                (
                    "listing",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="stockroom.listing"
                    ),
                ),
                (
                    "draft",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="prices", to="grading.pricedraft"
                    ),
                ),
            ],
            options={
                "ordering": ["id"],
                "constraints": [models.UniqueConstraint(fields=("draft", "listing"), name="a_listing_once_in_a_draft")],
            },
        ),
        migrations.AddConstraint(
            model_name="pricerule",
            constraint=models.UniqueConstraint(
                condition=models.Q(("replaces", None)), fields=("number",), name="a_rule_begins_once"
            ),
        ),
        migrations.AddConstraint(
            model_name="pricerule",
            constraint=models.CheckConstraint(
                condition=models.Q(("reason", ""), _negated=True), name="a_price_rule_says_why"
            ),
        ),
        migrations.AddConstraint(
            model_name="pricerule",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("effect__in", ["price", "amount"]), ("amount__isnull", False)),
                    models.Q(("effect__in", ["times-cost", "factor", "floor"]), ("factor__gte", 0)),
                    models.Q(("effect", "rounding"), ("step__gt", 0)),
                    _connector="OR",
                ),
                name="a_price_rule_has_its_number",
            ),
        ),
        migrations.RunPython(add, remove),
    ]
