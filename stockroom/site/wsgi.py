"""The shop as a WSGI application, for any server that speaks it."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "stockroom.site.settings")
application = get_wsgi_application()
