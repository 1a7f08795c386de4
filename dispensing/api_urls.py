from django.urls import URLPattern, path

from dispensing.api import assessments, calculations

app_name = "dispensing_api"
urlpatterns: list[URLPattern] = [
    path("assessments", assessments.Assessments.as_view(), name="assessments"),
    path("assessments/schema", assessments.Schema.as_view(), name="assessment_schema"),
    path("checks", assessments.Checks.as_view(), name="checks"),
    path("calculations", calculations.Calculations.as_view(), name="calculations"),
    path("calculations/<slug:name>", calculations.OneCalculation.as_view(), name="calculation"),
]
