"""The addresses of reference pages; the list stands at the foot of the views."""

from catalog.views import urlpatterns

__all__ = ["urlpatterns"]
