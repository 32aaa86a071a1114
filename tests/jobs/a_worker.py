"""A worker in a process of its own that knows how to count: `python -m tests.jobs.a_worker` works like
`manage.py work_jobs --watch` on the database that DATABASE_URL names."""

import os

import django
from django.core.management import call_command

if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "stockroom.site.settings")
    django.setup()
    from tests.jobs import counting

    counting.make_known()
    call_command("work_jobs", watch=True)
