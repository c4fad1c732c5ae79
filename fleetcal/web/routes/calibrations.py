from django.urls import path

from fleetcal.web.views import calibrations, worksheets

urlpatterns = [
    path("calibrations/new/", calibrations.calibration_start, name="calibration_start"),
    path("vehicles/<uuid:pk>/calibrations/new/", calibrations.calibration_begin, name="calibration_begin"),
    path("calibrations/<uuid:pk>/", calibrations.calibration, name="calibration"),
    path("calibrations/<uuid:pk>/attach/", calibrations.calibration_attach, name="calibration_attach"),
    path("worksheets/<int:pk>/", worksheets.worksheet, name="worksheet"),
]
