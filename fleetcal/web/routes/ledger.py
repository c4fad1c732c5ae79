from django.urls import path

from fleetcal.web.views import ledger

urlpatterns = [
    path("ledger/", ledger.activity, name="activity"),
    path("ledger/<str:stream>/<int:seq>/", ledger.entry, name="entry"),
]
