"""Test points whose bias is set until the printed current flows, and those of a pentode as a triode."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("catalog", "0007_conversion_conductance"),
    ]

    operations = [
        migrations.AddField(
            model_name="testpoint",
            name="current_is_set",
            field=models.BooleanField(default=False),
        ),
        migrations.AddField(
            model_name="testpoint",
            name="as_triode",
            field=models.BooleanField(default=False),
        ),
    ]
