"""The addresses of judgement: bench, grades, sets, orders, paper; each list stands at the foot of its views."""

from grading.claims import views as claims
from grading.papers import views as paper
from grading.views import (
    bench,
    demand,
    identity,
    instruments,
    listings,
    orders,
    policy,
    readings_import,
    reference_checks,
    runs,
    sealed,
    sets,
    studies,
    supplier_record,
    today,
    valves,
)

urlpatterns = [
    *today.urlpatterns,
    *bench.urlpatterns,
    *identity.urlpatterns,
    *readings_import.urlpatterns,
    *valves.urlpatterns,
    *policy.urlpatterns,
    *sets.urlpatterns,
    *runs.urlpatterns,
    *demand.urlpatterns,
    *orders.urlpatterns,
    *listings.urlpatterns,
    *paper.urlpatterns,
    *instruments.urlpatterns,
    *studies.urlpatterns,
    *reference_checks.urlpatterns,
    *sealed.urlpatterns,
    *claims.urlpatterns,
    *supplier_record.urlpatterns,
]
