"""A reading of a code that speaks now is called current, like everything else that a later row may supersede."""

from django.db import migrations, models

READINGS = (("datereading", "valve"), ("packdatereading", "packing"))


class Migration(migrations.Migration):
    dependencies = [("stockroom", "0010_photographs_have_no_queue_of_their_own")]

    operations = [
        operation
        for model, dated in READINGS
        for operation in (
            migrations.RemoveConstraint(model, f"one_standing_date_reading_per_{dated}"),
            migrations.RenameField(model, "standing", "current"),
            migrations.AddConstraint(
                model,
                models.UniqueConstraint(
                    condition=models.Q(("current", True)),
                    fields=(dated,),
                    name=f"one_current_date_reading_per_{dated}",
                ),
            ),
        )
    ]
