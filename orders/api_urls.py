from django.urls import URLPattern, path, re_path

from orders import converters  # noqa: F401  (registers order_number)
from orders.api import open_api, views

app_name = "orders_api"
urlpatterns: list[URLPattern] = [
    path("orders", views.Orders.as_view(), name="orders"),
    path("orders/acknowledgements", views.Acknowledgements.as_view(), name="acknowledgements"),
    path("orders/<order_number:number>", views.OneOrder.as_view(), name="order"),
    path("orders/<order_number:number>.<slug:format>", views.OneOrder.as_view(schema=None), name="order_as"),
    path("orders/<order_number:number>/acknowledgement", views.Acknowledgement.as_view(), name="acknowledgement"),
    path("orders/<order_number:number>/progress", views.Progress.as_view(), name="progress"),
    path("orders/<order_number:number>/promise", views.Promise.as_view(), name="promise"),
    path("orders/<order_number:number>/cannot-make", views.CannotMake.as_view(), name="cannot_make"),
    path("orders/<order_number:number>/questions", views.Questions.as_view(), name="questions"),
    path("schemas/<str:name>", open_api.json_schema, name="json_schema"),
    path("openapi.json", open_api.openapi, name="openapi"),
    path("docs", open_api.page, name="docs"),
    re_path(r"^(?P<rest>(?s:.*))$", views.nothing_here, name="nothing_here"),  # last: problems instead of pages
]
