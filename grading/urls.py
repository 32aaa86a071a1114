"""The addresses of judgement: bench, grades, sets, orders, paper; each list stands at the foot of its views."""

from grading.views import (
    bench,
    instruments,
    listings,
    orders,
    paper,
    policy,
    readings_import,
    reference_checks,
    sets,
    studies,
    valves,
)

urlpatterns = [
    *bench.urlpatterns,
    *readings_import.urlpatterns,
    *valves.urlpatterns,
    *policy.urlpatterns,
    *sets.urlpatterns,
    *orders.urlpatterns,
    *listings.urlpatterns,
    *paper.urlpatterns,
    *instruments.urlpatterns,
    *studies.urlpatterns,
    *reference_checks.urlpatterns,
]
