from django.urls import URLPattern

app_name = "dispensing"
urlpatterns: list[URLPattern] = []
