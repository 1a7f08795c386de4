"""Settings for the test suite: the same, with what makes tests quick and errors loud."""

from deploy.settings import *  # noqa: F403

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
}
SECRET_KEY = "for tests only, never for a real site, never for a real site"  # noqa: S105
ALLOWED_HOSTS = ["*"]
WHITENOISE_AUTOREFRESH = True  # static files are looked up when asked for: no collected folder is needed
