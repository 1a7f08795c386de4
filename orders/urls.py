from orders.web import collect, issue, labs, learning, orders, outbox, receive, rechecks, return_visit, return_words, today

app_name = "orders"
urlpatterns = [
    *today.urlpatterns,
    *outbox.urlpatterns,
    *orders.urlpatterns,
    *issue.urlpatterns,
    *rechecks.urlpatterns,
    *receive.urlpatterns,
    *collect.urlpatterns,
    *return_visit.urlpatterns,
    *learning.urlpatterns,
    *return_words.urlpatterns,
    *labs.urlpatterns,
]
