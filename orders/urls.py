from orders.web import today

app_name = "orders"
urlpatterns = [
    *today.urlpatterns,
]
