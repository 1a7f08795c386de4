from django.conf import settings
from django.urls import path
from django.views.generic import RedirectView

from practice.web import clients, places, sign_in

app_name = "practice"
urlpatterns = [
    *sign_in.urlpatterns,
    *clients.urlpatterns,
    *places.urlpatterns,
    path("today/", RedirectView.as_view(pattern_name=settings.LOGIN_REDIRECT_URL), name="today"),
]
