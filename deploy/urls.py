"""Every address of the site. Each app owns its own; the floors below never import this."""

from django.urls import include, path

urlpatterns = [
    path("", include("practice.urls")),
    path("", include("dispensing.urls")),
    path("", include("orders.urls")),
    path("api/v1/", include("dispensing.api_urls")),
    path("api/v1/", include("orders.api_urls")),
]
handler500 = "practice.web.trouble.server_error"
