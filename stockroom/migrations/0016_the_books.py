"""The books, and what an order comes to. The database itself refuses to change or delete what is written once: entries,
postings, invoices and payments, whatever program asks."""

from decimal import Decimal

import django.core.validators
import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models

import stockroom.models.shop

TABLES = ("stockroom_ledgerentry", "stockroom_posting", "stockroom_invoice", "stockroom_payment")
REFUSAL = "the books are never edited or deleted: write another that puts them right"
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
        ("stockroom", "0015_as_marked"),
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
        migrations.CreateModel(
            name="ShippingRule",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("name", models.CharField(max_length=60)),
                (
                    "region",
                    models.CharField(
                        blank=True, help_text="Empty: every region without a rule of its own.", max_length=40
                    ),
                ),
                (
                    "up_to_g",
                    models.PositiveIntegerField(
                        blank=True, help_text="Empty: any weight.", null=True, verbose_name="up to, g"
                    ),
                ),
                (
                    "price",
                    stockroom.models.shop.MoneyField(
                        decimal_places=3, max_digits=14, validators=[django.core.validators.MinValueValidator(0)]
                    ),
                ),
                ("currency", stockroom.models.shop.CurrencyField(default="GBP", max_length=3)),
                (
                    "free_above",
                    stockroom.models.shop.MoneyField(
                        blank=True,
                        decimal_places=3,
                        help_text="Of goods after discount.",
                        max_digits=14,
                        null=True,
                        validators=[django.core.validators.MinValueValidator(0)],
                        verbose_name="free from",
                    ),
                ),
            ],
            options={
                "ordering": ["region", "up_to_g", "id"],
            },
        ),
        migrations.CreateModel(
            name="DiscountCode",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("code", models.CharField(max_length=20, unique=True)),
                (
                    "percent",
                    models.DecimalField(
                        blank=True,
                        decimal_places=2,
                        max_digits=5,
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(100),
                        ],
                        verbose_name="off, %",
                    ),
                ),
                (
                    "amount",
                    stockroom.models.shop.MoneyField(
                        blank=True,
                        decimal_places=3,
                        max_digits=14,
                        null=True,
                        validators=[django.core.validators.MinValueValidator(0)],
                        verbose_name="or an amount off",
                    ),
                ),
                (
                    "currency",
                    stockroom.models.shop.CurrencyField(blank=True, max_length=3, verbose_name="of the amount"),
                ),
                ("until", models.DateField(blank=True, null=True, verbose_name="until")),
            ],
            options={
                "ordering": ["code"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("amount__isnull", False), ("percent", None)),
                            models.Q(("amount", None), ("percent__isnull", False)),
                            _connector="OR",
                        ),
                        name="a_code_takes_a_share_or_an_amount_off",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="OrderTerms",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("region", models.CharField(blank=True, max_length=40)),
                ("weight_g", models.PositiveIntegerField(blank=True, null=True, verbose_name="weight packed, g")),
                (
                    "code",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="stockroom.discountcode",
                    ),
                ),
                (
                    "order",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT, related_name="terms", to="stockroom.order"
                    ),
                ),
            ],
        ),
        migrations.CreateModel(
            name="TaxRule",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("name", models.CharField(max_length=60, verbose_name="as the invoice names it")),
                (
                    "on",
                    models.CharField(
                        choices=[("goods", "goods"), ("shipping", "shipping")],
                        default="goods",
                        max_length=8,
                        verbose_name="on",
                    ),
                ),
                (
                    "region",
                    models.CharField(
                        blank=True, help_text="Empty: every region without a rule of its own.", max_length=40
                    ),
                ),
                (
                    "percent",
                    models.DecimalField(
                        decimal_places=3,
                        max_digits=6,
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(100),
                        ],
                        verbose_name="rate, %",
                    ),
                ),
                ("inclusive", models.BooleanField(default=True, verbose_name="prices include it")),
                (
                    "margin",
                    models.BooleanField(
                        default=False,
                        help_text="Goods only, where the law lets the shop choose it.",
                        verbose_name="margin scheme",
                    ),
                ),
                ("note", models.CharField(blank=True, max_length=200, verbose_name="words the invoice must bear")),
            ],
            options={
                "ordering": ["on", "region"],
                "constraints": [
                    models.UniqueConstraint(fields=("on", "region"), name="one_tax_rule_for_each_region"),
                    models.CheckConstraint(
                        condition=models.Q(("margin", False), ("on", "goods"), _connector="OR"),
                        name="a_margin_is_earned_on_goods",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Invoice",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("number", models.CharField(max_length=12, unique=True)),
                ("kind", models.CharField(choices=[("invoice", "invoice"), ("credit", "credit note")], max_length=7)),
                ("currency", stockroom.models.shop.CurrencyField(max_length=3)),
                ("total", stockroom.models.shop.MoneyField(decimal_places=3, max_digits=14)),
                ("content", models.JSONField()),
                ("reason", models.CharField(blank=True, max_length=200, verbose_name="why")),
                ("on", models.DateField(default=django.utils.timezone.localdate)),
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
                    "corrects",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="credits",
                        to="stockroom.invoice",
                    ),
                ),
                (
                    "order",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="invoices", to="stockroom.order"
                    ),
                ),
            ],
            options={
                "ordering": ["at", "id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("corrects", None), ("kind", "invoice")),
                            models.Q(
                                ("corrects__isnull", False), ("kind", "credit"), models.Q(("reason", ""), _negated=True)
                            ),
                            _connector="OR",
                        ),
                        name="a_credit_note_says_of_what_and_why",
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(("kind", "invoice")), fields=("order",), name="one_invoice_for_an_order"
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Payment",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "amount",
                    stockroom.models.shop.MoneyField(
                        decimal_places=3, help_text="Below nothing for what was paid back.", max_digits=14
                    ),
                ),
                ("on", models.DateField(default=django.utils.timezone.localdate, verbose_name="day")),
                ("note", models.CharField(blank=True, max_length=120, verbose_name="how, or why back")),
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
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="payments", to="stockroom.order"
                    ),
                ),
            ],
            options={
                "ordering": ["on", "id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("amount", Decimal("0")), _negated=True), name="a_payment_is_of_something"
                    )
                ],
            },
        ),
        migrations.RunPython(add, remove),
    ]
