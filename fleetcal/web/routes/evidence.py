from django.urls import path

from fleetcal.web.views import evidence

urlpatterns = [
    path("evidence/", evidence.evidence, name="evidence"),
    path("vehicles/<uuid:pk>/audit.pdf", evidence.audit_pdf, name="audit_pdf"),
]
