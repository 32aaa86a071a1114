"""What an order line wishes of its valves, how long they are set aside, parcels with numbers, and what customs are told.

A despatch of before was of a whole order: it takes the next number, and what left with the order left with it.
"""

import django.core.validators
import django.db.models.deletion
import django.db.models.functions.comparison
from django.db import migrations, models

MANY = 500  # rows at a time


def number_despatches(apps, schema_editor) -> None:
    """In the order in which they were written."""
    Despatch = apps.get_model("stockroom", "Despatch")
    rows = list(Despatch.objects.order_by("pk"))
    for place, row in enumerate(rows, start=1):
        row.number = f"D{place:04d}"
    Despatch.objects.bulk_update(rows, ["number"], batch_size=MANY)
    if rows:
        apps.get_model("stockroom", "Counter").objects.update_or_create(
            series="despatch", defaults={"next_number": len(rows) + 1}
        )


def say_what_left(apps, schema_editor) -> None:
    """What is still with the customer, and what came back: an order's allocations, one order after the other."""
    Allocation, Return = apps.get_model("stockroom", "Allocation"), apps.get_model("stockroom", "Return")
    for despatch, order in apps.get_model("stockroom", "Despatch").objects.values_list("pk", "order"):
        came_back = Return.objects.filter(order=order).values("valve")
        of_order = Allocation.objects.filter(order_line__order=order)
        of_order.filter(live=True).update(despatch=despatch)
        # A valve that was set aside twice left once, as the last of them says.
        last = (
            of_order.filter(valve__in=came_back, live=False).order_by().values("valve").annotate(last=models.Max("pk"))
        )
        Allocation.objects.filter(pk__in=list(last.values_list("last", flat=True))).update(despatch=despatch)


class Migration(migrations.Migration):
    dependencies = [
        ("catalog", "0005_types_in_the_pages"),
        ("stockroom", "0020_bills_rebates_and_pieces"),
    ]

    operations = [
        migrations.CreateModel(
            name="CustomsRule",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("what", models.CharField(blank=True, max_length=80, verbose_name="what it is")),
                ("material", models.CharField(blank=True, max_length=80, verbose_name="made of")),
                (
                    "hs_code",
                    models.CharField(
                        blank=True,
                        help_text="As your customs tariff has it; where the parcel goes, customs decide.",
                        max_length=14,
                        validators=[
                            django.core.validators.RegexValidator(
                                "^\\d{4}(\\.?\\d{2}){0,3}$", "Four to ten digits, such as 8540.81."
                            )
                        ],
                        verbose_name="Harmonized System code",
                    ),
                ),
                (
                    "origin",
                    models.CharField(
                        blank=True,
                        help_text="Only where it is known: where it was made.",
                        max_length=60,
                        verbose_name="country of origin",
                    ),
                ),
            ],
            options={
                "ordering": ["type__designation", "maker__name", "id"],
            },
        ),
        migrations.AlterModelOptions(
            name="despatch",
            options={"ordering": ["id"], "verbose_name_plural": "despatches"},
        ),
        migrations.AddField(
            model_name="allocation",
            name="although",
            field=models.CharField(blank=True, max_length=200),
        ),
        migrations.AddField(
            model_name="allocation",
            name="despatch",
            field=models.ForeignKey(
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="allocations",
                to="stockroom.despatch",
            ),
        ),
        migrations.AddField(
            model_name="allocation",
            name="packed_at",
            field=models.DateTimeField(blank=True, null=True, verbose_name="scanned into its parcel"),
        ),
        migrations.AddField(
            model_name="despatch",
            name="number",
            field=models.CharField(default="", editable=False, max_length=12),
            preserve_default=False,
        ),
        migrations.RunPython(number_despatches, migrations.RunPython.noop),
        migrations.AlterField(
            model_name="despatch",
            name="number",
            field=models.CharField(editable=False, max_length=12, unique=True),
        ),
        migrations.AddField(
            model_name="despatch",
            name="unchecked",
            field=models.CharField(blank=True, editable=False, max_length=200),
        ),
        migrations.AddField(
            model_name="despatch",
            name="undone_at",
            field=models.DateTimeField(editable=False, null=True),
        ),
        migrations.AddField(
            model_name="despatch",
            name="undone_because",
            field=models.CharField(blank=True, editable=False, max_length=200),
        ),
        migrations.AddField(
            model_name="order",
            name="held_until",
            field=models.DateTimeField(
                blank=True, db_index=True, editable=False, null=True, verbose_name="set aside until"
            ),
        ),
        migrations.AddField(
            model_name="orderline",
            name="as_marked",
            field=models.CharField(blank=True, max_length=40, verbose_name="name on the glass"),
        ),
        migrations.AddField(
            model_name="orderline",
            name="balanced_percent",
            field=models.FloatField(
                blank=True,
                help_text="Of each valve: its larger section over its smaller, less one, for each quantity.",
                null=True,
                validators=[
                    django.core.validators.MinValueValidator(0.1),
                    django.core.validators.MaxValueValidator(100),
                ],
                verbose_name="sections alike within %",
            ),
        ),
        migrations.AddField(
            model_name="orderline",
            name="feature",
            field=models.CharField(
                blank=True,
                choices=[
                    ("plate shape", "Plate shape"),
                    ("plate finish", "Plate finish"),
                    ("getter shape", "Getter shape"),
                    ("getter place", "Getter place"),
                    ("mica", "Mica"),
                    ("base material", "Base material"),
                    ("top flash", "Top flash"),
                    ("glass", "Glass"),
                    ("print colour", "Print colour"),
                ],
                max_length=20,
            ),
        ),
        migrations.AddField(
            model_name="orderline",
            name="feature_word",
            field=models.CharField(blank=True, max_length=30),
        ),
        migrations.AddField(
            model_name="orderline",
            name="made_from",
            field=models.PositiveSmallIntegerField(
                blank=True,
                help_text="The year: 1950.",
                null=True,
                validators=[
                    django.core.validators.MinValueValidator(1900),
                    django.core.validators.MaxValueValidator(2100),
                ],
                verbose_name="made from",
            ),
        ),
        migrations.AddField(
            model_name="orderline",
            name="made_to",
            field=models.PositiveSmallIntegerField(
                blank=True,
                null=True,
                validators=[
                    django.core.validators.MinValueValidator(1900),
                    django.core.validators.MaxValueValidator(2100),
                ],
                verbose_name="made until",
            ),
        ),
        migrations.AddField(
            model_name="orderline",
            name="maker",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="stockroom.maker",
            ),
        ),
        migrations.AddField(
            model_name="shop",
            name="hold_days",
            field=models.PositiveSmallIntegerField(
                blank=True,
                default=14,
                help_text="Then they are free again, unless money has come. Empty: for ever.",
                null=True,
                verbose_name="days that goods are set aside for",
            ),
        ),
        migrations.AlterField(
            model_name="despatch",
            name="order",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT, related_name="despatches", to="stockroom.order"
            ),
        ),
        migrations.AddConstraint(
            model_name="orderline",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("made_from", None), ("made_to", None), ("made_from__lte", models.F("made_to")), _connector="OR"
                ),
                name="a_line_asks_for_years_in_order",
            ),
        ),
        migrations.AddConstraint(
            model_name="orderline",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("feature", ""), ("feature_word", "")),
                    models.Q(models.Q(("feature", ""), _negated=True), models.Q(("feature_word", ""), _negated=True)),
                    _connector="OR",
                ),
                name="a_feature_is_asked_for_with_its_word",
            ),
        ),
        migrations.AddField(
            model_name="customsrule",
            name="maker",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="stockroom.maker",
            ),
        ),
        migrations.AddField(
            model_name="customsrule",
            name="type",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="catalog.valvetype",
            ),
        ),
        migrations.AddConstraint(
            model_name="customsrule",
            constraint=models.UniqueConstraint(
                django.db.models.functions.comparison.Coalesce("type", models.Value(0)),
                django.db.models.functions.comparison.Coalesce("maker", models.Value(0)),
                name="one_customs_rule_for_the_same_goods",
            ),
        ),
        migrations.RunPython(say_what_left, migrations.RunPython.noop),
    ]
