"""A command of `manage.py` in a process of its own that knows how to count: `python -m tests.jobs.a_worker serve`."""

import os
import sys

import django
from django.core.management import execute_from_command_line

if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "stockroom.site.settings")
    django.setup()
    from tests.jobs import counting

    counting.make_known()
    execute_from_command_line(sys.argv)
