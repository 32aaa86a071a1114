import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("grading", "0014_match_runs_are_jobs")]

    operations = [
        migrations.AlterField(
            model_name="matchrun",
            name="job",
            field=models.OneToOneField(
                on_delete=django.db.models.deletion.PROTECT, related_name="match_run", to="stockroom.job"
            ),
        ),
        migrations.RemoveField(model_name="matchrun", name="alive_at"),
        migrations.RemoveField(model_name="matchrun", name="ask"),
        migrations.RemoveField(model_name="matchrun", name="progress"),
        migrations.RemoveField(model_name="matchrun", name="state"),
        migrations.RemoveField(model_name="matchrun", name="stop_asked"),
        migrations.RemoveField(model_name="matchrun", name="trouble"),
    ]
