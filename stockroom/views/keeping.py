"""Pages of keeping."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
