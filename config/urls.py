from django.contrib import admin
from django.urls import include, path

from fleet.api.urls import index

handler400 = "config.errors.bad_request"
handler403 = "config.errors.not_allowed"
handler404 = "config.errors.not_found"
handler500 = "config.errors.broken"

urlpatterns = [
    path("", include("fleet.dashboard.urls")),
    path("api/v1", index, name="api"),
    path("api/v1/", include("fleet.api.urls")),
    path("admin/", admin.site.urls),
]
