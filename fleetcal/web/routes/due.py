from django.urls import path

from fleetcal.web.views import due, vehicle

urlpatterns = [
    path("", due.due, name="due"),
    path("vehicles/<uuid:pk>/", vehicle.vehicle, name="vehicle"),
]
