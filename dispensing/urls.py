from dispensing.web import (
    bench,
    catalogue,
    client,
    fitting_card,
    limits,
    manual,
    photographs,
    remeasure,
    sign_off,
    training,
)
from dispensing.web.compare import urlpatterns as compare
from dispensing.web.sheet import views as sheet

app_name = "dispensing"
urlpatterns = [
    *bench.urlpatterns,
    *catalogue.urlpatterns,
    *client.urlpatterns,
    *compare,
    *fitting_card.urlpatterns,
    *sheet.urlpatterns,
    *limits.urlpatterns,
    *manual.urlpatterns,
    *photographs.urlpatterns,
    *remeasure.urlpatterns,
    *sign_off.urlpatterns,
    *training.urlpatterns,
]
