import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
application = get_wsgi_application()

from deploy import checks  # noqa: E402  (needs Django to be set up)

checks.stop_if_wrong()
