"""The addresses of judgement: bench, grades, sets, orders, paper; each list stands at the foot of its views."""

from grading.views import (
    bench,
    demand,
    identity,
    instruments,
    listings,
    orders,
    paper,
    policy,
    readings_import,
    reference_checks,
    runs,
    sets,
    studies,
    valves,
)

urlpatterns = [
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
]
