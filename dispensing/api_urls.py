from django.urls import URLPattern

app_name = "dispensing_api"
urlpatterns: list[URLPattern] = []
