from dispensing.web import catalogue, client, limits, sign_off
from dispensing.web.sheet import views as sheet

app_name = "dispensing"
urlpatterns = [
    *catalogue.urlpatterns,
    *client.urlpatterns,
    *sheet.urlpatterns,
    *limits.urlpatterns,
    *sign_off.urlpatterns,
]
