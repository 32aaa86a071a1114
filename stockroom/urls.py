"""The addresses of goods and people; each list stands at the foot of its views."""

from stockroom.claims import views as claims
from stockroom.customers import views as customers
from stockroom.export import views as export
from stockroom.jobs import views as jobs
from stockroom.ledger import views as ledger
from stockroom.marks import maker_views, type_code_views
from stockroom.marks import views as marks
from stockroom.money import views as money
from stockroom.photographs import views as photographs
from stockroom.places import views as places
from stockroom.receiving import correction_views, import_views, supplier_views
from stockroom.receiving import views as receiving
from stockroom.site import health
from stockroom.site import views as site
from stockroom.types import views as types

urlpatterns = [
    *site.urlpatterns,
    *health.urlpatterns,
    *receiving.urlpatterns,
    *correction_views.urlpatterns,
    *import_views.urlpatterns,
    *supplier_views.urlpatterns,
    *claims.urlpatterns,
    *places.urlpatterns,
    *marks.urlpatterns,
    *maker_views.urlpatterns,
    *type_code_views.urlpatterns,
    *photographs.urlpatterns,
    *customers.urlpatterns,
    *export.urlpatterns,
    *jobs.urlpatterns,
    *types.urlpatterns,
    *ledger.urlpatterns,
    *money.urlpatterns,
]
