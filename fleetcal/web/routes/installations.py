from django.urls import path

from fleetcal.web.views import installations

urlpatterns = [
    path("vehicles/<uuid:pk>/installations/new/", installations.installation_new, name="installation_new"),
    path("installations/<uuid:pk>/", installations.installation, name="installation"),
    path("installations/<uuid:pk>/correct/", installations.installation_correct, name="installation_correct"),
    path("installations/<uuid:pk>/attach/", installations.installation_attach, name="installation_attach"),
]
