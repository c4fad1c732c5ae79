"""One module of routes per area; a route's name is its noun."""

from django.contrib.auth.views import LoginView, LogoutView
from django.urls import URLPattern, URLResolver, include, path

AREAS = [
    "due",
    "vehicles",
    "register",
    "checks",
    "repairs",
    "installations",
    "calibrations",
    "inspections",
    "tickets",
    "evidence",
    "ledger",
]

urlpatterns: list[URLPattern | URLResolver] = [
    path("sign-in/", LoginView.as_view(), name="login"),
    path("sign-out/", LogoutView.as_view(), name="logout"),
    *(path("", include(f"fleetcal.web.routes.{area}")) for area in AREAS),
]
