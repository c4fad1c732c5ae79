from django.urls import path

from fleetcal.web.views import import_jobs, imports, sources

urlpatterns = [
    path("imports/", imports.start, name="import_start"),
    path("imports/vehicles/", imports.start_vehicles, name="vehicle_import"),
    path("imports/files/<uuid:file_id>/", imports.result, name="import_result"),
    path("imports/<str:digest>/columns/", sources.columns, name="import_columns"),
    path("imports/<str:digest>/preview/", imports.preview, name="import_preview"),
    path("imports/<str:digest>/problems/", imports.problems, name="import_problems"),
    path("imports/<str:digest>/jobs/<uuid:attempt>/", import_jobs.job, name="import_job"),
    path("sources/", sources.list_sources, name="source_list"),
    path("sources/<uuid:source_id>/edit/", sources.edit, name="source_edit"),
]
