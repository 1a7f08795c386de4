from django.urls import URLPattern

app_name = "orders_api"
urlpatterns: list[URLPattern] = []
