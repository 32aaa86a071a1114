"""The addresses of judgement: bench, grades, sets, orders, paper; each list stands at the foot of its views."""

from grading.bench import import_views
from grading.bench import views as bench
from grading.claims import views as claims
from grading.listings import views as listings
from grading.orders import views as orders
from grading.papers import views as paper
from grading.sealed import views as sealed
from grading.sets import demand_views, run_views
from grading.sets import views as sets
from grading.testers import check_views, study_views
from grading.testers import views as instruments
from grading.verdicts import views as policy
from grading.views import identity, supplier_record, today, valves

urlpatterns = [
    *today.urlpatterns,
    *bench.urlpatterns,
    *identity.urlpatterns,
    *import_views.urlpatterns,
    *valves.urlpatterns,
    *policy.urlpatterns,
    *sets.urlpatterns,
    *run_views.urlpatterns,
    *demand_views.urlpatterns,
    *orders.urlpatterns,
    *listings.urlpatterns,
    *paper.urlpatterns,
    *instruments.urlpatterns,
    *study_views.urlpatterns,
    *check_views.urlpatterns,
    *sealed.urlpatterns,
    *claims.urlpatterns,
    *supplier_record.urlpatterns,
]
