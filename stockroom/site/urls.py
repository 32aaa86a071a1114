"""The whole site, one include an app."""

from django.urls import include, path

urlpatterns = [
    path("", include("grading.urls")),
    path("", include("stockroom.urls")),
    path("", include("catalog.urls")),
]
