"""Settings for the test suite: the same, with what makes tests quick and errors loud."""

import os

from deploy.settings import *  # noqa: F403

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
}
SECRET_KEY_FALLBACKS = []
CONTENTS = None  # in the database; tests of the store set their own
SECRET_KEY = "for tests only, never for a real site, never for a real site"  # noqa: S105
ALLOWED_HOSTS = ["*"]
WHITENOISE_AUTOREFRESH = True  # static files are looked up when asked for: no collected folder is needed
if _migrated := os.environ.get(
    "TESTS_TEMPLATE_DATABASE"
):  # of PostgreSQL: already migrated, copied instead of migrated again
    DATABASES["default"]["TEST"] = {"TEMPLATE": _migrated}  # noqa: F405
