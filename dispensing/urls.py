from dispensing.web import client, sign_off

app_name = "dispensing"
urlpatterns = [
    *client.urlpatterns,
    *sheet.urlpatterns,
    *sign_off.urlpatterns,
]
