"""A grade that speaks now is called current, like everything else that a later row may supersede."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("grading", "0011_match_runs_have_no_queue_of_their_own")]

    operations = [
        migrations.RemoveConstraint("grade", "one_standing_grade"),
        migrations.RenameField("grade", "standing", "current"),
        migrations.AddConstraint(
            "grade",
            models.UniqueConstraint(condition=models.Q(("current", True)), fields=("valve",), name="one_current_grade"),
        ),
    ]
