from django.urls import path

from fleetcal.web.views import certificates, depots, instrument_findings, instruments, policies, preferences

urlpatterns = [
    path("depots/", depots.list_depots, name="depot_list"),
    path("depots/new/", depots.register, name="depot_new"),
    path("depots/<uuid:depot_id>/", depots.edit, name="depot_edit"),
    path("depots/<uuid:depot_id>/people/", depots.set_people, name="depot_people"),
    path("instruments/", instruments.list_instruments, name="instrument_list"),
    path("instruments/new/", instruments.register, name="instrument_new"),
    path("instruments/<uuid:instrument_id>/", instruments.show, name="instrument"),
    path("instruments/<uuid:instrument_id>/edit/", instruments.edit, name="instrument_edit"),
    path(
        "instruments/<uuid:instrument_id>/certificates/new/",
        certificates.add_certificate,
        name="certificate_new",
    ),
    path(
        "instruments/<uuid:instrument_id>/certificates/attach/",
        certificates.attach_document,
        name="certificate_attach",
    ),
    path(
        "instruments/<uuid:instrument_id>/findings/new/", instrument_findings.add_finding, name="finding_new"
    ),
    path("findings/<uuid:pk>/", instrument_findings.show, name="finding"),
    path("policies/", policies.list_policies, name="policy_list"),
    path("policies/new/", policies.create, name="policy_new"),
    path("policies/<uuid:policy_id>/", policies.show, name="policy"),
    path("policies/<uuid:policy_id>/versions/new/", policies.add_version, name="policy_version_new"),
    path("preferences/", preferences.edit_preferences, name="preferences"),
    path("preferences/unit/", preferences.switch_unit, name="unit_switch"),
]
