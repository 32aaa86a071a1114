"""The addresses of goods and people; each list stands at the foot of its views."""

from stockroom.export import views as export
from stockroom.marks import maker_views
from stockroom.receiving import import_views
from stockroom.receiving import views as receiving
from stockroom.site import views as office
from stockroom.views import claims, customers, keeping, photographs

urlpatterns = [
    *office.urlpatterns,
    *receiving.urlpatterns,
    *import_views.urlpatterns,
    *claims.urlpatterns,
    *keeping.urlpatterns,
    *maker_views.urlpatterns,
    *photographs.urlpatterns,
    *customers.urlpatterns,
    *export.urlpatterns,
]
