"""Pages of readings_import."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
