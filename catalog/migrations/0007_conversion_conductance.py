"""What a mixer's sheet gives in place of gm."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("catalog", "0006_stabilisers_strike"),
    ]

    operations = [
        migrations.AddField(
            model_name="testpoint",
            name="conversion_conductance_ma_per_v",
            field=models.FloatField(null=True),
        ),
    ]
