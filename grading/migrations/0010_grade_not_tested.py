from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("grading", "0006_what_a_calibration_found_and_heater_voltage")]

    operations = [migrations.AddField("grade", "not_tested", models.JSONField(default=list))]
