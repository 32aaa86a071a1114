"""The whole site, one include an app."""

from django.urls import include, path

handler400 = "stockroom.site.troubles.bad_request"
handler500 = "stockroom.site.troubles.server_error"

urlpatterns = [
    path("", include("grading.urls")),
    path("", include("stockroom.urls")),
    path("", include("catalog.urls")),
]
