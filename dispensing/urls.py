from dispensing.web import bench, catalogue, client, limits, sign_off
from dispensing.web.sheet import views as sheet

app_name = "dispensing"
urlpatterns = [
    *bench.urlpatterns,
    *catalogue.urlpatterns,
    *client.urlpatterns,
    *sheet.urlpatterns,
    *limits.urlpatterns,
    *sign_off.urlpatterns,
]
