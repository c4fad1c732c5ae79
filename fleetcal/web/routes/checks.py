from django.urls import path

from fleetcal.web.views import attachments, checks, corrections

urlpatterns = [
    path("checks/new/", checks.check_start, name="check_start"),
    path("vehicles/<uuid:pk>/checks/new/", checks.check_new, name="check_new"),
    path("checks/<uuid:pk>/", checks.check, name="check"),
    path("checks/<uuid:pk>/correct/", checks.check_correct, name="check_correct"),
    path("checks/<uuid:pk>/attach/", checks.check_attach, name="check_attach"),
    path("records/<slug:kind>/<uuid:pk>/withdraw/", corrections.record_withdraw, name="record_withdraw"),
    path("attachments/<uuid:pk>/", attachments.attachment, name="attachment"),
]
