"""What the migrations up to 0006 make, at once, for a new shop."""

from django.conf import settings
from django.db import migrations

from catalog.at_once import MadeAtOnce

NAMES = [
    "0001_initial",
    "0002_related_type",
    "0003_ratings_for_circuits",
    "0004_kept_position",
    "0005_types_in_the_pages",
    "0006_stabilisers_strike",
]


class Migration(migrations.Migration):
    initial = True
    replaces = [("catalog", name) for name in NAMES]
    dependencies = [migrations.swappable_dependency(settings.AUTH_USER_MODEL)]
    operations = [MadeAtOnce(NAMES)]
