from orders.web import collect, issue, labs, learning, orders, receive, rechecks, return_visit, today

app_name = "orders"
urlpatterns = [
    *today.urlpatterns,
    *orders.urlpatterns,
    *issue.urlpatterns,
    *rechecks.urlpatterns,
    *receive.urlpatterns,
    *collect.urlpatterns,
    *return_visit.urlpatterns,
    *learning.urlpatterns,
    *labs.urlpatterns,
]
