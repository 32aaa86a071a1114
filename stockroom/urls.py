"""The addresses of goods and people; each list stands at the foot of its views."""

from stockroom.site import views as office
from stockroom.views import claims, customers, export, keeping, lot_import, makers, photographs, receiving

urlpatterns = [
    *office.urlpatterns,
    *receiving.urlpatterns,
    *lot_import.urlpatterns,
    *claims.urlpatterns,
    *keeping.urlpatterns,
    *makers.urlpatterns,
    *photographs.urlpatterns,
    *customers.urlpatterns,
    *export.urlpatterns,
]
