"""The addresses of goods and people; each list stands at the foot of its views."""

from stockroom.export import views as export
from stockroom.marks import maker_views
from stockroom.site import views as office
from stockroom.views import claims, customers, keeping, lot_import, photographs, receiving

urlpatterns = [
    *office.urlpatterns,
    *receiving.urlpatterns,
    *lot_import.urlpatterns,
    *claims.urlpatterns,
    *keeping.urlpatterns,
    *maker_views.urlpatterns,
    *photographs.urlpatterns,
    *customers.urlpatterns,
    *export.urlpatterns,
]
