from orders.web import issue, orders, today

app_name = "orders"
urlpatterns = [
    *today.urlpatterns,
    *orders.urlpatterns,
    *issue.urlpatterns,
]
