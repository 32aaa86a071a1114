"""What the migrations up to 0017 make, at once, for a new shop: the tables, and the triggers that keep
readings and studies as they were written."""

from importlib import import_module

from django.conf import settings
from django.db import migrations

from catalog.at_once import MadeAtOnce

NAMES = [
    "0001_initial",
    "0002_readings_are_append_only",
    "0003_instruments",
    "0004_match_run",
    "0005_demand",
    "0006_what_a_calibration_found_and_heater_voltage",
    "0007_grade_not_tested",
    "0008_voltage_held",
    "0009_readings_file",
    "0010_match_runs_are_jobs",
    "0011_match_runs_have_no_queue_of_their_own",
    "0012_current_grade",
    "0013_studies_set_aside",
    "0014_price_book",
    "0015_asked_for_and_not_had",
    "0016_offers",
    "0017_certificates_as_issued",
]
GUARDED = [
    "0002_readings_are_append_only",
    "0003_instruments",
    "0014_price_book",
    "0016_offers",
    "0017_certificates_as_issued",
]


def triggers(name: str) -> migrations.RunPython:
    migration = import_module(f"grading.migrations.{name}")
    return migrations.RunPython(migration.add, migration.remove)


class Migration(migrations.Migration):
    initial = True
    replaces = [("grading", name) for name in NAMES]
    dependencies = [
        ("catalog", "0006_stabilisers_strike"),
        ("stockroom", "0022_enquiries_and_terms"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]
    operations = [MadeAtOnce(NAMES), *map(triggers, GUARDED)]
