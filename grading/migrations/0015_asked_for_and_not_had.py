"""What customers went without, and what the public looked for in vain."""

import django.core.validators
import django.db.models.deletion
import django.utils.timezone
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("catalog", "0005_types_in_the_pages"),
        ("grading", "0014_price_book"),
        ("stockroom", "0020_bills_rebates_and_pieces"),
    ]

    operations = [
        migrations.CreateModel(
            name="LeftOut",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("pieces", models.PositiveIntegerField(validators=[django.core.validators.MinValueValidator(1)])),
                ("asked", models.CharField(max_length=200)),
                ("at", models.DateTimeField(db_index=True, default=django.utils.timezone.now)),
                (
                    "order",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="left_out", to="stockroom.order"
                    ),
                ),
                (
                    "type",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="catalog.valvetype"
                    ),
                ),
            ],
            options={"verbose_name_plural": "left out", "ordering": ["-at", "-id"]},
        ),
        migrations.CreateModel(
            name="SearchWithoutResult",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("on", models.DateField(verbose_name="day")),
                ("words", models.CharField(max_length=40)),
                ("times", models.PositiveIntegerField()),
            ],
            options={
                "verbose_name_plural": "searches without result",
                "ordering": ["-on", "words"],
                "constraints": [
                    models.UniqueConstraint(fields=("on", "words"), name="searches_are_counted_by_day_and_words")
                ],
            },
        ),
    ]
