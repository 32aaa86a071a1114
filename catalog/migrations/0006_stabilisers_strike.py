"""What a stabiliser needs to strike, and the least current it works with."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("catalog", "0005_types_in_the_pages"),
    ]

    operations = [
        migrations.AddField(
            model_name="ratings",
            name="least_current_ma",
            field=models.FloatField(null=True),
        ),
        migrations.AddField(
            model_name="ratings",
            name="striking_voltage_v",
            field=models.FloatField(null=True),
        ),
    ]
