"""Pages of policy."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
