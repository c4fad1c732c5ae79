from django.urls import path

from fleetcal.web.views import limits, systems, vehicles

urlpatterns = [
    path("vehicles/", vehicles.list_vehicles, name="vehicle_list"),
    path("vehicles/new/", vehicles.register, name="vehicle_new"),
    path("vehicles/<uuid:vehicle_id>/edit/", vehicles.edit, name="vehicle_edit"),
    path("vehicles/<uuid:vehicle_id>/system/", systems.edit, name="system_edit"),
    path("vehicles/<uuid:vehicle_id>/system/new/", systems.fit_another, name="system_new"),
    path("vehicles/<uuid:vehicle_id>/limits/", limits.show_limits, name="vehicle_limits"),
]
