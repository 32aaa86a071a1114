"""The addresses of goods and people; each list stands at the foot of its views."""

from stockroom.claims import views as claims
from stockroom.export import views as export
from stockroom.marks import maker_views
from stockroom.photographs import views as photographs
from stockroom.places import customer_views
from stockroom.places import views as keeping
from stockroom.receiving import import_views
from stockroom.receiving import views as receiving
from stockroom.site import views as office

urlpatterns = [
    *office.urlpatterns,
    *receiving.urlpatterns,
    *import_views.urlpatterns,
    *claims.urlpatterns,
    *keeping.urlpatterns,
    *maker_views.urlpatterns,
    *photographs.urlpatterns,
    *customer_views.urlpatterns,
    *export.urlpatterns,
]
