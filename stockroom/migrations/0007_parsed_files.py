from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("stockroom", "0006_more_code_forms"),
    ]

    operations = [
        migrations.AddField(
            model_name="lotfile",
            name="parsed",
            field=models.BinaryField(null=True),
        ),
    ]
