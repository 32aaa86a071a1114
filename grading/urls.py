"""The addresses of judgement: bench, grades, sets, orders, paper; each list stands at the foot of its views."""

from grading.bench import import_views
from grading.bench import views as bench
from grading.buying import import_views as offer_imports
from grading.buying import views as buying
from grading.claims import views as claims
from grading.desk import views as desk
from grading.enquiries import views as enquiries
from grading.issued import views as issued
from grading.listings import public_views
from grading.listings import views as listings
from grading.orders import candidate_views, packing_views
from grading.orders import correction_views as order_corrections
from grading.orders import views as orders
from grading.papers import invoices, packing_slips
from grading.papers import views as papers
from grading.prices import item_views
from grading.prices import views as prices
from grading.returns import views as returns
from grading.returns import warranty_views
from grading.sealed import views as sealed
from grading.sets import demand_views, run_views
from grading.sets import views as sets
from grading.sockets import views as sockets
from grading.testers import check_views, study_views
from grading.testers import views as testers
from grading.valves import supplier_views, today
from grading.valves import views as valves
from grading.verdicts import house_views, rejudging_views, type_views
from grading.verdicts import views as verdicts

urlpatterns = [
    *today.urlpatterns,
    *bench.urlpatterns,
    *import_views.urlpatterns,
    *valves.urlpatterns,
    *verdicts.urlpatterns,
    *house_views.urlpatterns,
    *type_views.urlpatterns,
    *rejudging_views.urlpatterns,
    *sets.urlpatterns,
    *run_views.urlpatterns,
    *demand_views.urlpatterns,
    *orders.urlpatterns,
    *candidate_views.urlpatterns,
    *packing_views.urlpatterns,
    *order_corrections.urlpatterns,
    *prices.urlpatterns,
    *item_views.urlpatterns,
    *returns.urlpatterns,
    *warranty_views.urlpatterns,
    *listings.urlpatterns,
    *public_views.urlpatterns,
    *enquiries.urlpatterns,
    *papers.urlpatterns,
    *issued.urlpatterns,
    *invoices.urlpatterns,
    *packing_slips.urlpatterns,
    *testers.urlpatterns,
    *study_views.urlpatterns,
    *check_views.urlpatterns,
    *sealed.urlpatterns,
    *sockets.urlpatterns,
    *claims.urlpatterns,
    *supplier_views.urlpatterns,
    *buying.urlpatterns,
    *offer_imports.urlpatterns,
    *desk.urlpatterns,
]
