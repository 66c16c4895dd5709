"""Settings of both ways to run: embedded by default, served by environment variables."""

import secrets
from contextlib import suppress
from pathlib import Path
from typing import Any

from csp.constants import NONE, SELF

from config.environment import Environment, EnvironmentFault
from config.whereabouts import DATABASE

BASE_DIR = Path(__file__).resolve().parent.parent
ENV = Environment()

# --- the data folder -------------------------------------------------------------------
DATA_DIR = ENV.folder("SUMPWISE_DATA", ".sumpwise")
try:
    DATA_DIR.mkdir(parents=True, exist_ok=True, mode=0o700)
    for folder in ("queue", "queue-control"):  # the file-system broker expects to find them
        (DATA_DIR / folder).mkdir(exist_ok=True)
except OSError as error:
    raise EnvironmentFault(
        f"The data folder {DATA_DIR} cannot be made ({error.strerror}): set SUMPWISE_DATA to one "
        "you may write to."
    ) from error


def secret_key() -> str:
    """The key from the environment, else one made once and kept in the data folder."""
    given = ENV.secret("SUMPWISE_SECRET_KEY")
    if given:
        return given
    path = DATA_DIR / "secret-key"
    if not path.exists():
        path.touch(mode=0o600)
        path.write_text(secrets.token_urlsafe(50))
    return path.read_text().strip()


SECRET_KEY = secret_key()
DEBUG = ENV.flag("SUMPWISE_DEBUG")
# localhost always: by that name whoever is at the machine looks whether all is well
ALLOWED_HOSTS = ["localhost", *ENV.words("SUMPWISE_HOSTS", "127.0.0.1 [::1]")]
ENV.text("SUMPWISE_LISTEN")  # webserver.py reads it: addresses are known before settings are
CSRF_TRUSTED_ORIGINS = ENV.words("SUMPWISE_TRUSTED_ORIGINS")
BEHIND_TLS = ENV.flag("SUMPWISE_BEHIND_TLS")

# --- database and broker -----------------------------------------------------------------
DATABASE_URL = ENV.text("SUMPWISE_DATABASE_URL")
DATABASE_PASSWORD = ENV.secret("SUMPWISE_DATABASE_PASSWORD")
REDIS_URL = ENV.text("SUMPWISE_REDIS_URL")
SERVED = bool(DATABASE_URL)


def private(path: Path) -> Path:
    """A file that only its owner reads, whatever the folder's mode and the umask."""
    with suppress(OSError):  # somebody else's: using it will say so
        path.touch(mode=0o600)
        for one in (path, *path.parent.glob(f"{path.name}-*")):  # the write-ahead log as well
            one.chmod(0o600)
    return path


EMBEDDED_DATABASE: dict[str, Any] = {
    "ENGINE": "django.db.backends.sqlite3",
    "NAME": DATA_DIR / DATABASE,
    "OPTIONS": {
        # WAL alone locks writers out of each other; IMMEDIATE makes them queue instead
        "transaction_mode": "IMMEDIATE",
        "timeout": 20,
        "cached_statements": 1_000,  # a night asks in more ways than the 128 kept else; our choice
        "init_command": (
            "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL; PRAGMA cache_size=-65536;"
            # 32 MB, our choice: what large work writes again and again is copied over once
            "PRAGMA wal_autocheckpoint=8000;"
        ),
    },
}
if SERVED:
    DATABASES = {"default": {**ENV.postgres("SUMPWISE_DATABASE_URL"), "CONN_MAX_AGE": 60}}
    DATABASES["default"]["CONN_HEALTH_CHECKS"] = True  # one that was cut is opened anew
    # to compile a statement takes PostgreSQL longer than to run one of ours; and a fleet fits into
    # memory, where rows by their ids cost hardly more than rows in turn: else it reads all readings
    # there are to find those of a few meters. 1.1: our choice. An address may say otherwise: of two
    # that say something the last one counts
    OPTIONS = DATABASES["default"]["OPTIONS"]
    OPTIONS["options"] = f"-c jit=off -c random_page_cost=1.1 {OPTIONS.get('options', '')}"
    if DATABASE_PASSWORD:
        DATABASES["default"]["PASSWORD"] = DATABASE_PASSWORD
else:
    private(EMBEDDED_DATABASE["NAME"])
    DATABASES = {"default": EMBEDDED_DATABASE}

OF_PROCESS = {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}
SOON_S = {"socket_connect_timeout": 1, "socket_timeout": 1}  # who waits for a page waits for it
CACHES: dict[str, dict[str, Any]] = {
    "default": {
        "BACKEND": "django.core.cache.backends.redis.RedisCache",
        "LOCATION": REDIS_URL,
        "OPTIONS": SOON_S,
    }
    if REDIS_URL
    else OF_PROCESS,
    "of this process": OF_PROCESS,  # limits go on in it while Redis is away
}

# --- the program, in the order in which data flows ---------------------------------------
INSTALLED_APPS = [
    "config",
    "fleet.people",
    "fleet.vehicles",
    "fleet.stores",
    "fleet.runs",
    "fleet.readings",
    "fleet.usage",
    "fleet.duty",
    "fleet.due",
    "fleet.workorders",
    "fleet.visits",
    "fleet.consumables",
    "fleet.trials",
    "fleet.overview",
    "fleet.workbook",
    "fleet.whatif",
    "fleet.dashboard",
    "fleet.api",
    "fleet.people.apps.AdministrationConfig",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django_htmx",
    "rest_framework",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "simple_history",
    "csp",
]

MIDDLEWARE = [
    "config.requests.numbered",
    "django.middleware.security.SecurityMiddleware",
    "config.health.told_to_anybody",
    "config.static_files.CompressedFiles",
    "config.static_files.CompressedPages",
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.auth.middleware.LoginRequiredMiddleware",
    "fleet.dashboard.shown_units.OfReader",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "simple_history.middleware.HistoryRequestMiddleware",
    "config.requests.not_stored",
    "config.requests.OfPerson",
    "config.errors.said_of_forms",
]

ROOT_URLCONF = "config.urls"
WSGI_APPLICATION = "config.wsgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
            ],
        },
    },
]
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

# --- people ------------------------------------------------------------------------------
AUTH_USER_MODEL = "people.Person"
AUTHENTICATION_BACKENDS = ["fleet.people.attempts.SlowedBackend"]
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator"},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]
LOGIN_URL = "sign-in"
LOGIN_REDIRECT_URL = "due"

# --- language, time, files ---------------------------------------------------------------
LANGUAGE_CODE = "en-gb"
TIME_ZONE = "UTC"
USE_I18N = False
USE_TZ = True
STATIC_URL = "static/"
STATICFILES_FINDERS = [
    "django.contrib.staticfiles.finders.FileSystemFinder",
    "django.contrib.staticfiles.finders.AppDirectoriesFinder",
    "fleet.dashboard.plotly_bundle.PlotlyBundle",
]
WHITENOISE_USE_FINDERS = True  # straight out of the packages: nothing to collect first
WHITENOISE_AUTOREFRESH = False
MEDIA_ROOT = DATA_DIR / "files"

# --- browser safety ----------------------------------------------------------------------
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [NONE],
        "script-src": [SELF],
        "style-src": [SELF],
        "img-src": [SELF, "data:", "blob:"],
        "font-src": [SELF],
        "connect-src": [SELF],
        "form-action": [SELF],
        "frame-ancestors": [NONE],
        "base-uri": [NONE],
        "manifest-src": [SELF],
        "worker-src": [SELF],
    }
}
X_FRAME_OPTIONS = "DENY"
# what is below or beside the program's name is not ours to promise; the proxy sends to TLS
SILENCED_SYSTEM_CHECKS = ["security.W005", "security.W008", "security.W021"]
CSRF_FAILURE_VIEW = "config.errors.stale_form"
# how much less of a processor a worker asks for than pages do, as ``nice`` counts; our choice
WORKER_NICENESS = ENV.whole_number("SUMPWISE_WORKER_NICENESS", 10)
# how many proxies of our own stand in front, each adding to X-Forwarded-For; 0: it is not believed
PROXIES = ENV.whole_number("SUMPWISE_PROXIES", 0)
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_AGE = ENV.whole_number("SUMPWISE_SESSION_HOURS", 336, least=1) * 3600
SECURE_HSTS_SECONDS = ENV.whole_number("SUMPWISE_HSTS_DAYS", 0) * 86_400
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = BEHIND_TLS
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https") if BEHIND_TLS else None

# --- API ---------------------------------------------------------------------------------
DATA_UPLOAD_MAX_MEMORY_SIZE = 8 * 1024 * 1024  # 10,000 readings with long notes; our choice
REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "fleet.api.signin.TokenAuthentication",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["fleet.api.signin.Allowed"],
    "DEFAULT_PARSER_CLASSES": ["fleet.api.formats.LimitedJSONParser"],
    "DEFAULT_RENDERER_CLASSES": ["fleet.api.formats.Renderer"],
    "DEFAULT_CONTENT_NEGOTIATION_CLASS": "fleet.api.formats.Negotiation",
    "DEFAULT_THROTTLE_CLASSES": ["fleet.api.limits.Limit"],
    "NUM_PROXIES": PROXIES,
    "DEFAULT_THROTTLE_RATES": {"user": "600/min"},  # our choice
    "DEFAULT_SCHEMA_CLASS": "fleet.api.schema.ResourceSchema",
    "DEFAULT_METADATA_CLASS": None,  # OPTIONS tells nothing that the schema does not
    "EXCEPTION_HANDLER": "fleet.api.errors.answer",
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Sumpwise",
    "DESCRIPTION": "The fluid services of a vehicle fleet: readings in, due dates out.",
    "VERSION": "1",
    "OAS_VERSION": "3.1.0",
    "SCHEMA_PATH_PREFIX": "/api/v1",
    "SERVE_INCLUDE_SCHEMA": False,
    "ENUM_NAME_OVERRIDES": {
        "CheckOutcome": "fleet.due.models.CheckResult.Outcome",
        "DistanceUnit": ["km", "mi"],
        "DueState": "fleet.due.listing.STATES",
        "EscalationAnswer": "fleet.workorders.models.Escalation.Answer",
        "EscalationStage": "fleet.workorders.models.Escalation.Stage",
        "FindingKind": "fleet.workorders.models.Finding.Kind",
        "FitForUse": "fleet.workorders.models.WorkOrder.Fit",
        "FluidWay": "fleet.workorders.models.FluidRecord.Way",
        "FoundBy": "fleet.workorders.models.Finding.FoundBy",
        "ItemKind": "fleet.stores.models.Item.Kind",
        "ItemUnit": "fleet.stores.models.Item.Unit",
        "JobEnd": "fleet.api.orders.actions.ENDS",
        "JobReason": "fleet.workorders.models.Job.Reason",
        "JobState": "fleet.workorders.models.Job.State",
        "MeterKind": "fleet.vehicles.models.Meter.Kind",
        "MoveGivenKind": "fleet.api.stock.GIVEN",
        "MoveKind": "fleet.stores.models.StockMove.Kind",
        "OrderState": "fleet.workorders.models.WorkOrder.State",
        "Outcome": "fleet.readings.models.UploadRow.Outcome",
        "ReadingUnit": ["h", "km", "mi"],
        "ReporterKind": "fleet.api.findings.REPORTERS",
        "RunState": "fleet.api.runs.STATES",
        "ServiceKind": "fleet.due.models.Service.Kind",
        "TrialAssignment": "fleet.trials.models.Trial.Assignment",
        "UploadState": "fleet.readings.models.Upload.State",
        "VehicleStatus": "fleet.vehicles.models.Vehicle.Status",
        "Warmth": "fleet.trials.models.Rating.Warmth",
        "WorkEnding": "fleet.visits.models.OtherWork.Ending",
        "WorkKind": "fleet.visits.models.OtherWork.Kind",
        "WhatIfState": "fleet.whatif.models.WhatIf.State",
    },
    "ENUM_SUFFIX": "",
    "POSTPROCESSING_HOOKS": [
        "drf_spectacular.hooks.postprocess_schema_enums",
        "fleet.api.examples.add_examples",
    ],
}

# --- background work ---------------------------------------------------------------------
CELERY_BROKER_URL = REDIS_URL or "filesystem://"
CELERY_BROKER_TRANSPORT_OPTIONS: dict[str, Any] = (
    {"socket_connect_timeout": 1}
    if REDIS_URL
    else {
        "data_folder_in": str(DATA_DIR / "queue"),
        "data_folder_out": str(DATA_DIR / "queue"),
        "control_folder": str(DATA_DIR / "queue-control"),
        "polling_interval": 0.2,  # the default of 1 s is felt by who waits for an upload
    }
)
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_IMPORTS = ["fleet.jobs"]
CELERY_TASK_IGNORE_RESULT = True  # results are rows
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_BEAT_SCHEDULE_FILENAME = str(DATA_DIR / "beat-schedule")

# --- log -------------------------------------------------------------------------------------
LOGGING: dict[str, Any] = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"lines": {"()": "config.logs.Lines"}},
    "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "lines"}},
    "root": {"handlers": ["stderr"], "level": "WARNING"},
    "loggers": {
        "django": {"handlers": [], "level": "WARNING", "propagate": True},
        "django.request": {"level": "ERROR"},  # what was refused was said to whoever asked
    },
}

# --- calibration -------------------------------------------------------------------------
# distances that the program scores its own forecasts at [km]; our choice
BACKTEST_DISTANCES_KM = ENV.whole_numbers("SUMPWISE_BACKTEST_KM", "2000 5000 15000 30000")

# --- stores -------------------------------------------------------------------------------
CURRENCY = ENV.currency("SUMPWISE_CURRENCY", "EUR")  # ISO 4217; all amounts are net

# --- work ---------------------------------------------------------------------------------
# an order is drafted when its first service may fall due within so many days; our choice
DRAFT_AHEAD_DAYS = ENV.whole_numbers("SUMPWISE_DRAFT_AHEAD_DAYS", "14")[0]
