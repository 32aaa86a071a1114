"""Pages of testers."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
