"""Pages about valve types."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
