from django.urls import path

from fleetcal.web.views import inspections

urlpatterns = [
    path("vehicles/<uuid:pk>/inspections/new/", inspections.inspection_new, name="inspection_new"),
    path("inspections/<uuid:pk>/", inspections.inspection, name="inspection"),
    path("inspections/<uuid:pk>/correct/", inspections.inspection_correct, name="inspection_correct"),
    path("inspections/<uuid:pk>/attach/", inspections.inspection_attach, name="inspection_attach"),
]
