"""Settings. Everything a deployment changes comes from PORTAL_… variables; the defaults are the embedded portal."""

import os
import secrets
from datetime import UTC, datetime
from email.policy import EmailPolicy
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

import dj_database_url
from csp.constants import NONE, SELF
from django.core.exceptions import ImproperlyConfigured, ValidationError
from django.core.validators import validate_email

ROOT = Path(__file__).resolve().parent.parent
VAR = Path(os.environ.get("PORTAL_VAR", ROOT / "var"))


def _secret_key() -> str:
    """The key from the environment, or one made once and kept with the embedded portal's data."""
    if key := os.environ.get("PORTAL_SECRET_KEY"):
        return key
    kept = VAR / "secret_key"
    if not kept.exists():
        VAR.mkdir(parents=True, exist_ok=True)
        kept.touch(mode=0o600)
        kept.write_text(secrets.token_urlsafe(50))
    return kept.read_text()


def _address(variable: str, default: str) -> str:
    """The bare address in a variable that may give a name with it, such as "Firm <office@firm.example>".

    Mails would fail long after the start, each by itself: nonsense is refused here.
    """
    told = os.environ.get(variable, default)
    header = EmailPolicy().header_factory("From", told)
    try:
        (one,) = header.addresses
        validate_email(one.addr_spec)
    except (ValueError, ValidationError):
        raise ImproperlyConfigured(
            f"{variable} holds {told!r}, which is no e-mail address: "
            "give one such as office@firm.example or 'Your Firm <office@firm.example>'."
        ) from None
    return str(one.addr_spec)


def _port(variable: str, default: int) -> int:
    told = os.environ.get(variable, str(default))
    if not told.isdecimal() or not 0 < int(told) < 65536:
        raise ImproperlyConfigured(f"{variable} holds {told!r}, which is no port: give a number such as {default}.")
    return int(told)


def _origin(address: str) -> list[str]:
    """The part of an address that a content security policy names."""
    parts = urlsplit(address)
    return [f"{parts.scheme}://{parts.netloc}"] if parts.netloc else []


SECRET_KEY = _secret_key()
# What these signed stays good: log-ins, invitations, the links in mails.
SECRET_KEY_FALLBACKS = [key for key in os.environ.get("PORTAL_SECRET_KEYS_BEFORE", "").split(",") if key]
DEBUG = os.environ.get("PORTAL_DEBUG") == "1"  # for who changes the pages: /design/ shows every part of them
BASE_URL = os.environ.get("PORTAL_BASE_URL", "http://localhost:8000")
SECURE = BASE_URL.startswith("https://")
ALLOWED_HOSTS = os.environ.get("PORTAL_HOSTS", "localhost,127.0.0.1,[::1]").split(",")
CSRF_TRUSTED_ORIGINS = [BASE_URL]

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django.contrib.humanize",
    "django.contrib.admin",
    "allauth",
    "allauth.account",
    "allauth.mfa",
    "allauth.usersessions",
    "anymail",
    "csp",
    "django_htmx",
    "portal",
]

MIDDLEWARE = [
    "portal.views.traffic.numbered",
    "django.middleware.security.SecurityMiddleware",
    "csp.middleware.CSPMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "portal.views.guard.refuse_nul",
    "django.middleware.gzip.GZipMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "portal.views.language.in_their_language",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "allauth.account.middleware.AccountMiddleware",
    "portal.views.guard.guard",
    "django_htmx.middleware.HtmxMiddleware",
]

ROOT_URLCONF = "portal.urls"
WSGI_APPLICATION = "portal.wsgi.application"

FORM_RENDERER = "portal.views.labels.Renderer"
TEMPLATES: list[dict[str, Any]] = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [ROOT / "portal" / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "libraries": {"devices": "portal.views.devices"},
            "builtins": ["portal.views.parts", "portal.views.words", "django.templatetags.i18n"],
            "context_processors": [
                "django.template.context_processors.request",
                "django.template.context_processors.i18n",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "portal.views.frame.frame",
            ],
        },
    },
]

DATABASE_URL = os.environ.get("PORTAL_DATABASE_URL", "")
DATABASES: dict[str, Any] = {
    "default": dj_database_url.parse(DATABASE_URL or f"sqlite:///{VAR / 'portal.sqlite3'}", conn_max_age=60)
}
if not DATABASE_URL:
    # A command given on a server without its variables must not make a second, empty portal: SQLite opens this file
    # where it is, and makes none. `./deploy/run` names the file, and so makes it.
    DATABASES["default"]["NAME"] = f"file:{quote(str(VAR / 'portal.sqlite3'))}?mode=rw"
if "sqlite3" in DATABASES["default"]["ENGINE"]:
    # IMMEDIATE takes the write lock at BEGIN: a worker waits its turn instead of failing half-way (see DEVELOPERS.md).
    DATABASES["default"]["OPTIONS"] = {
        "timeout": 20,
        "transaction_mode": "IMMEDIATE",
        "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL;",
    }
else:
    DATABASES["default"] |= {"CONN_HEALTH_CHECKS": True, "ENGINE": "portal.postgres"}

# Figures for Prometheus, of all web processes, at a port of their own; unset: none. See "Watching" in the guide.
FIGURES_PORT = os.environ.get("PORTAL_FIGURES_PORT", "")
if FIGURES_PORT:
    os.environ.setdefault("PROMETHEUS_MULTIPROC_DIR", str(VAR / "figures"))
    Path(os.environ["PROMETHEUS_MULTIPROC_DIR"]).mkdir(parents=True, exist_ok=True)
UP_SINCE = datetime.now(UTC)  # this process
REDIS_URL = os.environ.get("PORTAL_REDIS_URL", "")
# What rate limits have counted. In the database: it is shared by all web processes, and the broker may be away.
CACHES: dict[str, Any] = {
    "default": {
        "BACKEND": "django.core.cache.backends.db.DatabaseCache",
        "LOCATION": "portal_cache",
        "OPTIONS": {"MAX_ENTRIES": 100_000},
    }
}

AUTH_USER_MODEL = "portal.User"
AUTHENTICATION_BACKENDS = ["allauth.account.auth_backends.AuthenticationBackend"]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 10}},
    {
        "NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator",
        "OPTIONS": {"user_attributes": ["email", "name"]},
    },
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]
LOGIN_URL = "account_login"
LOGIN_REDIRECT_URL = "home"
ACCOUNT_ADAPTER = "portal.views.account.InvitedOnly"
ACCOUNT_LOGIN_METHODS = {"email"}
ACCOUNT_SIGNUP_FIELDS = ["email*", "password1*"]
ACCOUNT_USER_MODEL_USERNAME_FIELD = None
ACCOUNT_EMAIL_VERIFICATION = "none"  # people come by invitation to an address the business already writes to
ACCOUNT_LOGOUT_ON_GET = False
ACCOUNT_LOGIN_ON_PASSWORD_RESET = True  # the mail with the link has just told who it is
ACCOUNT_SESSION_REMEMBER = True
# HTTPS ends at one proxy: failed log-ins are counted by the address it tells.
ALLAUTH_TRUSTED_PROXY_COUNT = 1 if SECURE else 0
ACCOUNT_EMAIL_SUBJECT_PREFIX = ""
ACCOUNT_EMAIL_NOTIFICATIONS = True  # whoever owns a login hears when its password or second step changes
ACCOUNT_REAUTHENTICATION_TIMEOUT = 15 * 60
# Whoever opens customers' data logs in with a second step. "optional" is for trying things out.
SECOND_FACTOR_REQUIRED = os.environ.get("PORTAL_SECOND_FACTOR", "required") != "optional"
MFA_ADAPTER = "portal.views.account.SecondStep"
MFA_SUPPORTED_TYPES = ["totp", "webauthn", "recovery_codes"]
MFA_ALLOW_UNVERIFIED_EMAIL = True  # addresses come with the invitation, which only their owner reads
MFA_TOTP_TOLERANCE = 1  # a phone's clock may be half a minute off
MFA_WEBAUTHN_ALLOW_INSECURE_ORIGIN = not SECURE  # passkeys work on http://localhost too
ACCOUNT_RATE_LIMITS = {
    # "key" is a login as tried from one address; who is shut out chooses a new password by mail
    "login_failed": "10/m/ip,5/5m/key",
    "login_failed_from_anywhere": "100/h/key",  # OWASP ASVS 4.0, 2.2.1
}

LANGUAGE_CODE = "en"  # where neither the person nor the browser says another; mails come in the recipient's
LANGUAGES = [("en", "English"), ("es", "Español")]
LOCALE_PATHS = [VAR / "locale"]  # compiled from portal/locale when the portal starts
TIME_ZONE = "UTC"
USE_TZ = True

STATIC_URL = "static/"
STATIC_ROOT = VAR / "static"
STATICFILES_DIRS = [ROOT / "portal" / "static", VAR / "assets"]
SILENCED_SYSTEM_CHECKS = ["staticfiles.W004"]  # prepare_assets makes var/assets
WHITENOISE_KEEP_ONLY_HASHED_FILES = True  # halves what prepare_assets has to compress
MEDIA_ROOT = VAR / "media"  # never served as files: views check who asks
STORAGES: dict[str, Any] = {
    "default": {"BACKEND": "portal.actions.files.WholeFiles"},
    "staticfiles": {"BACKEND": "portal.apps.StaticFiles"},
}
# Instead of that folder a bucket of an S3-compatible store, so that machines share no disk. Empty: the folder.
FILES_BUCKET = os.environ.get("PORTAL_FILES_BUCKET", "")
if FILES_BUCKET:
    STORAGES["default"] = {
        "BACKEND": "portal.actions.bucket.BucketFiles",
        "OPTIONS": {
            "bucket_name": FILES_BUCKET,
            "endpoint_url": os.environ.get("PORTAL_FILES_ADDRESS") or None,
            "region_name": os.environ.get("PORTAL_FILES_REGION") or None,
            "access_key": os.environ.get("PORTAL_FILES_USER", ""),
            "secret_key": os.environ.get("PORTAL_FILES_PASSWORD", ""),
            "file_overwrite": False,
            "max_memory_size": 2 * 1024 * 1024,  # a larger file waits on the disk while it is read
        },
    }
# A station's daily rain, as GHCN-Daily lays it out, with {station} where its number goes; empty: nothing is fetched.
RAIN_ADDRESS = os.environ.get("PORTAL_RAIN_ADDRESS", "")
INBOX = Path(os.environ.get("PORTAL_INBOX", VAR / "inbox"))  # files in <inbox>/<meter's number>/ are taken in
BACKUP_KEY = os.environ.get("PORTAL_BACKUP_KEY", "")  # backups are encrypted with it; empty: they are not
ROOM_BYTES = 100 * 1024 * 1024  # nights begin only with so much left: what people send is more urgent
LARGEST_UPLOAD = 256 * 1024 * 1024
FILE_UPLOAD_HANDLERS = [
    "portal.actions.uploads.SizeLimit",
    "django.core.files.uploadhandler.MemoryFileUploadHandler",
    "django.core.files.uploadhandler.TemporaryFileUploadHandler",
]
DATA_UPLOAD_MAX_NUMBER_FILES = 1000  # the page and the action stop sooner, with a sentence
FILE_UPLOAD_MAX_MEMORY_SIZE = 2 * 1024 * 1024
DATA_UPLOAD_MAX_MEMORY_SIZE = 5 * 1024 * 1024

EMAIL_BACKEND = os.environ.get("PORTAL_EMAIL_BACKEND", "django.core.mail.backends.filebased.EmailBackend")
EMAIL_FILE_PATH = VAR / "mail"
EMAIL_HOST = os.environ.get("PORTAL_SMTP_HOST", "localhost")
EMAIL_PORT = _port("PORTAL_SMTP_PORT", 25)
EMAIL_HOST_USER = os.environ.get("PORTAL_SMTP_USER", "")
EMAIL_HOST_PASSWORD = os.environ.get("PORTAL_SMTP_PASSWORD", "")
EMAIL_USE_TLS = os.environ.get("PORTAL_SMTP_TLS", "") == "1"
EMAIL_TIMEOUT = 20
DEFAULT_FROM_EMAIL = os.environ.get("PORTAL_FROM_EMAIL", "portal@rinsemark.example")
SENDER_ADDRESS = _address("PORTAL_FROM_EMAIL", DEFAULT_FROM_EMAIL)  # of it; reminders carry the firm's name before it
# Mails with readings: each roof has name+<token>@… of this address; empty: none are taken.
READINGS_ADDRESS = os.environ.get("PORTAL_READINGS_ADDRESS", "")
if READINGS_ADDRESS:
    READINGS_ADDRESS = _address("PORTAL_READINGS_ADDRESS", "")
# The box in which they lie; empty where a mail service hands them over.
IMAP_HOST = os.environ.get("PORTAL_IMAP_HOST", "")
IMAP_PORT = _port("PORTAL_IMAP_PORT", 993)
IMAP_USER = os.environ.get("PORTAL_IMAP_USER", "")
IMAP_PASSWORD = os.environ.get("PORTAL_IMAP_PASSWORD", "")
IMAP_TLS = os.environ.get("PORTAL_IMAP_TLS", "1") == "1"
# A utility that hands readings over where its customer allows it (Green Button Connect My Data); empty: none does.
GREEN_BUTTON = {
    name: os.environ.get(f"PORTAL_GREEN_BUTTON_{name.upper()}", "")
    for name in ("name", "authorize", "token", "revoke", "resources", "client", "secret", "scope")
}
ANYMAIL = {"WEBHOOK_SECRET": os.environ.get("PORTAL_ANYMAIL_WEBHOOK_SECRET", "")}

# The land behind the map: where a tile server hands out a square, and whose work it is; empty: none is asked.
MAP_TILES = os.environ.get("PORTAL_MAP_TILES", "")
MAP_CREDIT = os.environ.get("PORTAL_MAP_CREDIT", "")

CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [NONE],
        "script-src": [SELF],
        "style-src": [SELF],
        "img-src": [SELF, "data:", "blob:", *_origin(MAP_TILES)],
        "font-src": [SELF],
        "connect-src": [SELF],
        "manifest-src": [SELF],
        "worker-src": [SELF],
        # the form with which somebody goes to their utility ends there
        "form-action": [SELF, *_origin(GREEN_BUTTON["authorize"])],
        "frame-ancestors": [NONE],
        "base-uri": [NONE],
    }
}
# How many days some things are kept; 0 is for ever. Rows of a customer go when the firm erases the customer.
KEEP_ENQUIRIES_DAYS = int(os.environ.get("PORTAL_KEEP_ENQUIRIES_DAYS", "365"))  # a neighbour's name, left on a report
KEEP_PHOTO_ORIGINALS_DAYS = int(os.environ.get("PORTAL_KEEP_PHOTO_ORIGINALS_DAYS", "0"))  # what is shown stays
KEEP_AUDIT_DAYS = int(os.environ.get("PORTAL_KEEP_AUDIT_DAYS", "1095"))
SECURE_SSL_REDIRECT = SECURE
SECURE_REDIRECT_EXEMPT = [r"^health/"]  # asked for on the machine itself, too
SESSION_COOKIE_SECURE = SECURE
CSRF_COOKIE_SECURE = SECURE
SECURE_HSTS_SECONDS = 31536000 if SECURE else 0
SECURE_REFERRER_POLICY = "same-origin"
SESSION_COOKIE_AGE = 14 * 24 * 60 * 60
STAFF_SESSION_AGE = 12 * 60 * 60  # where a login opens customers' data (OWASP ASVS 4.0, 3.3.2)

LOGGING: dict[str, Any] = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"lines": {"()": "portal.actions.logs.JsonLines"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "lines"}},
    "root": {"handlers": ["console"], "level": "WARNING"},
    # the traffic tells each request by its route; Django's own warnings of refused ones would tell it once more
    "loggers": {"portal.traffic": {"level": "INFO"}, "django.request": {"level": "ERROR"}},
}
