from django.contrib import admin
from django.urls import include, path

from config.health import health
from fleet.api.urls import index

handler403 = "fleet.dashboard.views.errors.not_allowed"
handler404 = "fleet.dashboard.views.errors.not_found"
handler500 = "fleet.dashboard.views.errors.broken"

urlpatterns = [
    path("", include("fleet.dashboard.urls")),
    path("api/v1", index, name="api"),
    path("api/v1/", include("fleet.api.urls")),
    path("admin/", admin.site.urls),
    path("health", health, name="health"),
]
