"""Settings from the environment. Every DATUMLINE_ variable is named here once; unset, they give a trial on SQLite."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

from django.core.exceptions import ImproperlyConfigured

from deploy import environment, logs
from practice import database

try:
    environment.take_files(os.environ)
except ValueError as error:
    raise ImproperlyConfigured(str(error)) from error
if environment.writable(_metrics_dir := os.environ.get("DATUMLINE_METRICS_DIR", "")):  # otherwise deploy/checks.py says so
    os.environ["PROMETHEUS_MULTIPROC_DIR"] = _metrics_dir  # read by prometheus-client when it is imported

BASE_DIR = Path(__file__).resolve().parent.parent
LOCAL_DIR = Path(os.environ.get("DATUMLINE_LOCAL") or BASE_DIR / ".local")


def _flag(name: str, default: bool) -> bool:
    return os.environ.get(name, "1" if default else "0").lower() in {"1", "true", "yes", "on"}


def _local() -> Path:
    """The local folder, made if need be; deploy/checks.py says the same, but after it was made where a command happens to be."""
    if not LOCAL_DIR.is_absolute():
        raise ImproperlyConfigured(f"DATUMLINE_LOCAL: {LOCAL_DIR} is not a full path.")
    try:
        LOCAL_DIR.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ImproperlyConfigured(f"DATUMLINE_LOCAL: {LOCAL_DIR} cannot be made ({type(error).__name__}).") from error
    return LOCAL_DIR


def _secret() -> str:
    """The key from the environment; on a trial machine one is made once and kept in the local folder."""
    given = os.environ.get("DATUMLINE_SECRET_KEY")
    if given:
        return given
    path = _local() / "secret-key"
    if not path.exists():
        path.write_text(secrets.token_urlsafe(64))
        path.chmod(0o600)
    return path.read_text().strip()


def _whole(name: str, default: int) -> int:
    given = os.environ.get(name, str(default))
    if not (given.isascii() and given.isdecimal() and 0 < int(given) < 10**10):
        raise ImproperlyConfigured(f"{name} is a whole number from 1: not {given!r}")
    return int(given)


def _seconds(name: str, default: int) -> int:
    given = os.environ.get(name, str(default))
    if not given.isdecimal():
        raise ImproperlyConfigured(f"{name} is a whole number of seconds, 0 for no limit: not {given!r}")
    return int(given)


def _database() -> dict[str, object]:
    """The address from the environment, or a file in the local folder; with limits on how long anybody waits for it."""
    patience = database.Patience(
        connect_s=_seconds("DATUMLINE_DB_CONNECT_S", 5),
        # manage.py sets it to 0 unless it is given: building an index may take its time, a page may not
        statement_s=_seconds("DATUMLINE_DB_STATEMENT_S", 30),
        lock_s=_seconds("DATUMLINE_DB_LOCK_S", 10),
        idle_s=_seconds("DATUMLINE_DB_IDLE_S", 60),
    )
    url = os.environ.get("DATUMLINE_DATABASE_URL", "")
    if not url:
        return database.sqlite(_local() / "datumline.sqlite3", patience)
    try:
        return database.from_url(url, patience)
    except ValueError as error:
        raise ImproperlyConfigured(f"DATUMLINE_DATABASE_URL: {error}") from error


def _reports() -> dict[str, dict[str, object]]:
    """The copy that reports read from, when there is one."""
    url = os.environ.get("DATUMLINE_REPORTS_DATABASE_URL", "")
    if not url:
        return {}
    try:
        found = database.from_url(url, database.Patience(connect_s=2, statement_s=_seconds("DATUMLINE_DB_STATEMENT_S", 30)))
    except ValueError as error:
        raise ImproperlyConfigured(f"DATUMLINE_REPORTS_DATABASE_URL: {error}") from error
    return {"reports": found | {"TEST": {"MIRROR": "default"}}}


def _old_secrets() -> list[str]:
    """The keys before: from the environment, or beside the trial's key, where restoring a backup puts them."""
    given, path = os.environ.get("DATUMLINE_SECRET_KEY_FALLBACKS"), LOCAL_DIR / "secret-key-fallbacks"
    if given is None and "DATUMLINE_SECRET_KEY" not in os.environ and path.exists():
        given = path.read_text()
    return environment.old_keys(given or "")


DEBUG = _flag("DATUMLINE_DEBUG", False)
SECRET_KEY = _secret()
SECRET_KEY_FALLBACKS = _old_secrets()
# Addresses or networks of reverse proxies whose X-Forwarded-For is believed; without, a lab's address is that of the connection.
TRUSTED_PROXIES = [p.strip() for p in os.environ.get("DATUMLINE_PROXIES", "").split(",") if p.strip()]
# Whether labs' webhooks may lead to private and loopback addresses, and go without TLS. For trials and for labs in one's own house.
WEBHOOKS_MAY_BE_PRIVATE = _flag("DATUMLINE_WEBHOOKS_PRIVATE", False)
LAB_REQUESTS_A_MINUTE = _whole("DATUMLINE_LAB_REQUESTS", 60_000)  # of one token, over all processes
ALLOWED_HOSTS = [h.strip() for h in os.environ.get("DATUMLINE_HOSTS", "127.0.0.1,localhost,[::1]").split(",") if h.strip()]
CSRF_TRUSTED_ORIGINS = [o for o in os.environ.get("DATUMLINE_ORIGINS", "").split(",") if o]
DATABASES = {"default": _database(), **_reports()}
DATABASE_ROUTERS = ["practice.reports.Router"]
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

# Where photographs and received documents are besides the database, and whether new ones go there.
try:
    CONTENTS = environment.contents(os.environ)
except ValueError as error:
    raise ImproperlyConfigured(str(error)) from error

# Who may read /metrics: whoever knows the token, whoever asks from there; neither set: nobody.
METRICS_TOKEN = os.environ.get("DATUMLINE_METRICS_TOKEN", "")
METRICS_FROM = [p.strip() for p in os.environ.get("DATUMLINE_METRICS_FROM", "").split(",") if p.strip()]

INSTALLED_APPS = [
    "deploy.apps.DeployConfig",
    "practice.apps.PracticeConfig",
    "dispensing.apps.DispensingConfig",
    "orders.apps.OrdersConfig",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "allauth.account",
    "allauth.mfa",
    "django_htmx",
    "template_partials",
    "csp",
    "rest_framework",
    "drf_spectacular",
]

MIDDLEWARE = [
    "deploy.observe.observe",  # first: measures all of it, names the request, answers health and figures
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "practice.web.middleware.refuse_nul",
    "orders.api.quick.feed_first",  # before the session: a lab has a token and no session
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "allauth.account.middleware.AccountMiddleware",
    "practice.web.middleware.roles_once",
    "practice.web.middleware.end_when_unused",
    "django.contrib.auth.middleware.LoginRequiredMiddleware",  # open pages say so: login_not_required
    "practice.web.middleware.second_factor_first",
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
# Sign-in is allauth's engine behind pages of our own: none of its routes is mounted, nobody signs up, e-mail has no part in it.
# What is counted (wrong tries) and what is used once (codes) is kept in our tables, not in its cache.
AUTHENTICATION_BACKENDS = ["allauth.account.auth_backends.AuthenticationBackend"]
ACCOUNT_ADAPTER = "practice.web.engine.Accounts"
ACCOUNT_LOGIN_METHODS = {"username"}
ACCOUNT_SIGNUP_FIELDS = ["username*", "password1*"]
ACCOUNT_EMAIL_VERIFICATION = "none"
ACCOUNT_RATE_LIMITS = False
MFA_ADAPTER = "practice.web.engine.Factors"
MFA_SUPPORTED_TYPES = ["totp", "webauthn", "recovery_codes"]
MFA_TOTP_TOLERANCE = 1  # a clock may be half a minute out
MFA_RATE_LIMITS = False
MFA_WEBAUTHN_USER_VERIFICATION = "preferred"
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 12}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "practice.password_words.NotOfTheHouse"},
]

# Where links for new passwords and invitations are mailed from; without, they are handed over by the manager who makes them.
_MAIL = os.environ.get("DATUMLINE_MAIL", "")
MAIL_WORKS = bool(_MAIL)
EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend" if _MAIL else "django.core.mail.backends.dummy.EmailBackend"
if _MAIL:
    try:
        _mail = environment.mail_server(_MAIL)
    except ValueError as error:
        raise ImproperlyConfigured(f"DATUMLINE_MAIL: {error}") from error
    EMAIL_HOST, EMAIL_PORT, EMAIL_HOST_USER, EMAIL_HOST_PASSWORD, EMAIL_USE_SSL, EMAIL_USE_TLS = _mail
    EMAIL_TIMEOUT = 10
DEFAULT_FROM_EMAIL = os.environ.get("DATUMLINE_MAIL_FROM", "datumline@localhost")

LANGUAGE_CODE = "en-gb"
TIME_ZONE = "UTC"
USE_I18N = False
USE_TZ = True

STATIC_URL = "/static/"
STATIC_ROOT = LOCAL_DIR / "static"
WHITENOISE_ALLOW_ALL_ORIGINS = False
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
# a browser takes __Host- cookies only with TLS; deploy/headers.py names all other cookies likewise
SESSION_COOKIE_NAME = "__Host-sessionid" if _TLS else "sessionid"
CSRF_COOKIE_NAME = "__Host-csrftoken" if _TLS else "csrftoken"
CSRF_COOKIE_HTTPONLY = True  # pages carry the token themselves
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_AGE = 12 * 3600
SESSION_SAVE_EVERY_REQUEST = False
# in the session, not in a cookie of their own: what a page says after a step may name somebody
MESSAGE_STORAGE = "django.contrib.messages.storage.session.SessionStorage"
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
SPECTACULAR_SETTINGS = {
    "TITLE": "Datumline lab API",
    "VERSION": "1",
    "OAS_VERSION": "3.1.0",
    "SERVE_INCLUDE_SCHEMA": False,
    "ENUM_GENERATE_CHOICE_DESCRIPTION": False,  # our own words say what a choice means
}

LOGGING = logs.configuration(debug=DEBUG, tls=_TLS)
