"""The addresses of goods and people; each list stands at the foot of its views."""

from stockroom.views import customers, keeping, office, photographs, receiving

urlpatterns = [
    *office.urlpatterns,
    *receiving.urlpatterns,
    *keeping.urlpatterns,
    *photographs.urlpatterns,
    *customers.urlpatterns,
]
