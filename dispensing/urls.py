from dispensing.web import client

app_name = "dispensing"
urlpatterns = [
    *client.urlpatterns,
]
