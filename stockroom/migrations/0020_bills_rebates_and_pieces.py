"""Several bills of a kind for a lot, rebates, import tax that is claimed back; pieces beside value in the books."""

from django.db import migrations, models

import stockroom.models.shop


class Migration(migrations.Migration):
    dependencies = [("stockroom", "0019_returns_are_followed")]

    operations = [
        migrations.RemoveConstraint(model_name="charge", name="one_charge_of_a_kind"),
        migrations.RemoveConstraint(model_name="charge", name="charge_not_negative"),
        migrations.AddField(
            model_name="charge",
            name="note",
            field=models.CharField(blank=True, max_length=60, verbose_name="bill, or why a rebate"),
        ),
        migrations.AlterField(
            model_name="charge",
            name="amount",
            field=stockroom.models.shop.MoneyField(decimal_places=3, max_digits=14),
        ),
        migrations.AlterField(
            model_name="charge",
            name="kind",
            field=models.CharField(
                choices=[
                    ("goods", "Goods"),
                    ("freight", "Freight"),
                    ("duty", "Duty and import tax"),
                    ("import tax", "Import tax claimed back"),
                    ("other", "Other charges"),
                ],
                max_length=10,
            ),
        ),
        migrations.AddConstraint(
            model_name="charge",
            constraint=models.CheckConstraint(condition=models.Q(("rate__gt", 0)), name="a_charge_has_a_rate"),
        ),
        # Null and without a default: on SQLite the table is not made anew, so that its triggers stay.
        migrations.AddField(model_name="posting", name="pieces", field=models.IntegerField(null=True)),
    ]
