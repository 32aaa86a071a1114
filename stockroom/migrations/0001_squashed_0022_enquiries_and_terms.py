"""What the migrations up to 0022 make, at once, for a new shop: the tables, and the triggers that keep
what is decided of sealed stock and what stands in the books as they were written."""

from importlib import import_module

from django.conf import settings
from django.db import migrations

from catalog.at_once import MadeAtOnce

NAMES = [
    "0001_initial",
    "0002_photograph",
    "0003_identity",
    "0004_sealed_stock_and_claims",
    "0005_sealed_stock_is_sold",
    "0006_more_code_forms",
    "0007_parsed_files",
    "0008_job",
    "0009_photographs_wait_in_the_queue",
    "0010_photographs_have_no_queue_of_their_own",
    "0011_current_date_readings",
    "0012_wrong_and_broken_pieces",
    "0013_forms_are_done_once",
    "0014_what_a_buyer_is_told",
    "0015_as_marked",
    "0016_the_books",
    "0017_marks_and_construction_years",
    "0018_repricing",
    "0019_returns_are_followed",
    "0020_bills_rebates_and_pieces",
    "0021_orders_in_parts",
    "0022_enquiries_and_terms",
]
GUARDED = ["0004_sealed_stock_and_claims", "0005_sealed_stock_is_sold", "0016_the_books", "0018_repricing"]


def triggers(name: str) -> migrations.RunPython:
    migration = import_module(f"stockroom.migrations.{name}")
    return migrations.RunPython(migration.add, migration.remove)


class Migration(migrations.Migration):
    initial = True
    replaces = [("stockroom", name) for name in NAMES]
    dependencies = [
        ("catalog", "0006_stabilisers_strike"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]
    operations = [MadeAtOnce(NAMES), *map(triggers, GUARDED)]
