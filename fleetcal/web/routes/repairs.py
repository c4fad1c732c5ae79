from django.urls import path

from fleetcal.web.views import repairs

urlpatterns = [
    path("repairs/new/", repairs.repair_start, name="repair_start"),
    path("vehicles/<uuid:pk>/repairs/new/", repairs.repair_new, name="repair_new"),
    path("vehicles/<uuid:pk>/repairs/effect/", repairs.repair_effect, name="repair_effect"),
    path("repairs/<uuid:pk>/", repairs.repair, name="repair"),
    path("repairs/<uuid:pk>/correct/", repairs.repair_correct, name="repair_correct"),
    path("repairs/<uuid:pk>/attach/", repairs.repair_attach, name="repair_attach"),
]
