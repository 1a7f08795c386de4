from django.conf import settings
from django.urls import path
from django.views.generic import RedirectView

from practice.web import clients, cover, doors, places, privacy, retention, second_factor, shared_devices, sign_in, trail

app_name = "practice"
urlpatterns = [
    *sign_in.urlpatterns,
    *second_factor.urlpatterns,
    *shared_devices.urlpatterns,
    *doors.urlpatterns,
    *clients.urlpatterns,
    *places.urlpatterns,
    *trail.urlpatterns,
    *privacy.urlpatterns,
    *retention.urlpatterns,
    *cover.urlpatterns,
    path("today/", RedirectView.as_view(pattern_name=settings.LOGIN_REDIRECT_URL), name="today"),
]
