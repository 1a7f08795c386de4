from dispensing.web import (
    bench,
    catalogue,
    client,
    fitting_card,
    frame_item,
    imports,
    lens_designs,
    lens_options,
    lens_parts,
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
    *lens_options.urlpatterns,  # before the codes: "new" is none
    *lens_parts.urlpatterns,
    *frame_item.urlpatterns,
    *imports.urlpatterns,
    *catalogue.urlpatterns,
    *lens_designs.urlpatterns,
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
