from django.urls import URLPattern, path

from dispensing.api import calculations

app_name = "dispensing_api"
urlpatterns: list[URLPattern] = [
    path("calculations", calculations.Calculations.as_view(), name="calculations"),
    path("calculations/<slug:name>", calculations.OneCalculation.as_view(), name="calculation"),
]
