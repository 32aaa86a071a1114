from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("grading", "0005_demand")]

    operations = [migrations.AddField("grade", "not_tested", models.JSONField(default=list))]
