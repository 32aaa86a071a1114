"""A stabiliser is read in volts. SQLite builds the table of readings anew for the constraint, and with the old
table go the triggers that keep readings from being edited (0002): they are put back."""

import django.core.validators
from django.db import migrations, models
from django.db.models import Q

QUANTITIES = [
    ("anode_current_ma", "anode current"),
    ("gm_ma_per_v", "mutual conductance"),
    ("emission_scale", "emission on a scale"),
    ("heater_cathode_leakage_ua", "heater-cathode leakage"),
    ("grid_current_ua", "grid current"),
    ("anode_voltage_v", "voltage held"),
]
TRIGGER = """CREATE TRIGGER reading_no_{verb} BEFORE {verb} ON grading_reading
    BEGIN SELECT RAISE(ABORT, 'readings are never edited or deleted: write a correction'); END"""


def put_back(apps, schema_editor) -> None:
    if schema_editor.connection.vendor == "sqlite":
        for verb in ("UPDATE", "DELETE"):
            schema_editor.execute(f"DROP TRIGGER IF EXISTS reading_no_{verb}")
            schema_editor.execute(TRIGGER.format(verb=verb))


def quantity(model: str) -> migrations.AlterField:
    return migrations.AlterField(model, "quantity", models.CharField(choices=QUANTITIES, max_length=30))


class Migration(migrations.Migration):
    dependencies = [("grading", "0010_grade_not_tested")]

    operations = [
        migrations.RunPython(migrations.RunPython.noop, put_back),
        migrations.AddField(
            "reading",
            "anode_voltage_v",
            models.FloatField(
                "voltage held", null=True, blank=True, validators=[django.core.validators.MinValueValidator(0)]
            ),
        ),
        migrations.AddConstraint(
            "reading",
            models.CheckConstraint(
                condition=Q(anode_voltage_v=None) | Q(anode_voltage_v__gte=0), name="voltage_held_not_negative"
            ),
        ),
        *map(quantity, ["calibrationvalue", "capability", "housenominal", "referencevalve", "study"]),
        migrations.RunPython(put_back, migrations.RunPython.noop),
    ]
