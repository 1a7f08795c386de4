from dispensing.web import client, sign_off
from dispensing.web.sheet import views as sheet

app_name = "dispensing"
urlpatterns = [
    *client.urlpatterns,
    *sheet.urlpatterns,
    *sign_off.urlpatterns,
]
