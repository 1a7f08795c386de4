"""Settings from the environment. Every DATUMLINE_ variable is named here once; unset, they give a trial on SQLite."""

from __future__ import annotations

import os
import secrets
from pathlib import Path
from urllib.parse import unquote, urlparse

BASE_DIR = Path(__file__).resolve().parent.parent
LOCAL_DIR = Path(os.environ.get("DATUMLINE_LOCAL", BASE_DIR / ".local"))


def _flag(name: str, default: bool) -> bool:
    return os.environ.get(name, "1" if default else "0").lower() in {"1", "true", "yes", "on"}


def _secret() -> str:
    """The key from the environment; on a trial machine one is made once and kept in the local folder."""
    given = os.environ.get("DATUMLINE_SECRET_KEY")
    if given:
        return given
    path = LOCAL_DIR / "secret-key"
    if not path.exists():
        LOCAL_DIR.mkdir(parents=True, exist_ok=True)
        path.write_text(secrets.token_urlsafe(64))
        path.chmod(0o600)
    return path.read_text().strip()


def _database() -> dict[str, object]:
    url = os.environ.get("DATUMLINE_DATABASE_URL", "")
    if not url:
        LOCAL_DIR.mkdir(parents=True, exist_ok=True)
        return {
            "ENGINE": "django.db.backends.sqlite3",
            "NAME": LOCAL_DIR / "datumline.sqlite3",
            "OPTIONS": {
                "transaction_mode": "IMMEDIATE",
                "timeout": 20,
                "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL; PRAGMA foreign_keys=ON;",
            },
        }
    parts = urlparse(url)
    return {
        "ENGINE": "django.db.backends.postgresql",
        "NAME": parts.path.lstrip("/"),
        "USER": unquote(parts.username or ""),
        "PASSWORD": unquote(parts.password or ""),
        "HOST": unquote(parts.hostname or ""),
        "PORT": str(parts.port or ""),
        "CONN_MAX_AGE": None,
        "CONN_HEALTH_CHECKS": True,
    }


DEBUG = _flag("DATUMLINE_DEBUG", False)
SECRET_KEY = _secret()
# Addresses or networks of reverse proxies whose X-Forwarded-For is believed; without, a lab's address is that of the connection.
TRUSTED_PROXIES = [p.strip() for p in os.environ.get("DATUMLINE_PROXIES", "").split(",") if p.strip()]
# Whether labs' webhooks may lead to private and loopback addresses, and go without TLS. For trials and for labs in one's own house.
WEBHOOKS_MAY_BE_PRIVATE = _flag("DATUMLINE_WEBHOOKS_PRIVATE", False)
ALLOWED_HOSTS = os.environ.get("DATUMLINE_HOSTS", "127.0.0.1,localhost,[::1]").split(",")
CSRF_TRUSTED_ORIGINS = [o for o in os.environ.get("DATUMLINE_ORIGINS", "").split(",") if o]
DATABASES = {"default": _database()}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

INSTALLED_APPS = [
    "practice.apps.PracticeConfig",
    "dispensing.apps.DispensingConfig",
    "orders.apps.OrdersConfig",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django_htmx",
    "template_partials",
    "csp",
    "rest_framework",
    "drf_spectacular",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "practice.web.middleware.refuse_nul",
    "orders.api.quick.feed_first",  # before the session: a lab has a token and no session
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "practice.web.middleware.end_when_unused",
    "django.contrib.auth.middleware.LoginRequiredMiddleware",  # open pages say so: login_not_required
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "csp.middleware.CSPMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
]

ROOT_URLCONF = "deploy.urls"
WSGI_APPLICATION = "deploy.wsgi.application"
ASGI_APPLICATION = "deploy.asgi.application"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "practice.web.shell.shell",
            ],
        },
    },
]

AUTH_USER_MODEL = "practice.Staff"
LOGIN_URL = "practice:sign_in"
LOGIN_REDIRECT_URL = "orders:today"
LOGOUT_REDIRECT_URL = "practice:sign_in"
PASSWORD_HASHERS = ["django.contrib.auth.hashers.Argon2PasswordHasher"]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 12}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]

LANGUAGE_CODE = "en-gb"
TIME_ZONE = "UTC"
USE_I18N = False
USE_TZ = True

STATIC_URL = "/static/"
STATIC_ROOT = LOCAL_DIR / "static"
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"},
}

_TLS = _flag("DATUMLINE_TLS", False)
SECURE_SSL_REDIRECT = _TLS
SECURE_HSTS_SECONDS = 31_536_000 if _TLS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = _TLS
SECURE_HSTS_PRELOAD = _TLS
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https") if _TLS else None
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
SESSION_COOKIE_SECURE = _TLS
CSRF_COOKIE_SECURE = _TLS
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_AGE = 12 * 3600
SESSION_SAVE_EVERY_REQUEST = False
X_FRAME_OPTIONS = "DENY"
DATA_UPLOAD_MAX_MEMORY_SIZE = 2_000_000
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": ["'self'"],
        "img-src": ["'self'", "data:"],
        "object-src": ["'none'"],
        "frame-ancestors": ["'none'"],
        "base-uri": ["'none'"],
        "form-action": ["'self'"],
    },
}

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [],
    "DEFAULT_PERMISSION_CLASSES": [],
    "UNAUTHENTICATED_USER": None,
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
}
# Whose bearer tokens open the calculations besides a signed-in person: dispensing does not know of labs.
API_TOKEN_AUTHENTICATION = ["orders.api.auth.LabAuthentication"]
SPECTACULAR_SETTINGS = {"TITLE": "Datumline lab API", "VERSION": "1", "OAS_VERSION": "3.1.0", "SERVE_INCLUDE_SCHEMA": False}

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"format": "%(asctime)s %(levelname)s %(name)s %(message)s"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {"handlers": ["console"], "level": os.environ.get("DATUMLINE_LOG_LEVEL", "WARNING")},
}
