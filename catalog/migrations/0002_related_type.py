"""The types that the sheets name as near to another are called what they are."""

import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("catalog", "0001_initial")]

    operations = [
        migrations.RenameModel("Kin", "RelatedType"),
        migrations.AlterField(
            model_name="relatedtype",
            name="other",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.CASCADE, related_name="related_of", to="catalog.valvetype"
            ),
        ),
        migrations.AlterField(
            model_name="relatedtype",
            name="type",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.CASCADE, related_name="related", to="catalog.valvetype"
            ),
        ),
    ]
