"""What every test stands on: a data folder of its own, real servers, and Chromium where there is one."""

import gc
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import hypothesis
import pytest
from django.conf import settings as django_settings
from django.core.cache import cache

from deploy.embedded import WORKER_OPTIONS
from deploy.processes import Child, Program, Supervisor, start_queue
from deploy.testing import CHROMIUM, TABLES
from portal.words.catalogues import compile_catalogues

ROOT = Path(__file__).resolve().parent.parent
DATABASE_FIXTURES = {"db", "transactional_db", "live_server", "admin_client", "admin_user"}
BROWSER_FIXTURES = {"page", "context", "browser", "new_context"}

# Two cores shared by several test processes say nothing about the time one example takes. The same examples each time:
# whether a change is good does not hang on dice. The long runs by hand try many more.
hypothesis.settings.register_profile("house", deadline=None, derandomize=True)
hypothesis.settings.load_profile("house")


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "database: uses the database (set by itself); runs on SQLite and on PostgreSQL")
    # Whatever a test writes goes here, never into the data of the portal on this machine.
    var = Path(tempfile.mkdtemp(prefix="rinsemark-tests-"))
    config.add_cleanup(lambda: shutil.rmtree(var, ignore_errors=True))
    django_settings.VAR = var
    django_settings.MEDIA_ROOT = var / "media"
    django_settings.EMAIL_FILE_PATH = var / "mail"
    django_settings.STATIC_ROOT = var / "static"
    django_settings.LOCALE_PATHS = [var / "locale"]
    compile_catalogues(var / "locale")
    django_settings.STATICFILES_DIRS = [ROOT / "portal" / "static", var / "assets"]
    django_settings.STORAGES["staticfiles"] = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
    for folder in ("static", "assets"):
        (var / folder).mkdir()
    # Most tests log people in with one call; what a missing second step does is tested where it is the subject.
    django_settings.SECOND_FACTOR_REQUIRED = False
    django_settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]  # slow on purpose otherwise
    if django_settings.DATABASES["default"]["ENGINE"].endswith("sqlite3"):
        # A file, as in the portal, so that workers and browsers in other processes see the same rows.
        django_settings.DATABASES["default"]["TEST"]["NAME"] = str(var / "tests.sqlite3")
        # Nothing of a test need outlive a power cut.
        django_settings.DATABASES["default"]["OPTIONS"]["init_command"] = (
            "PRAGMA journal_mode=WAL; PRAGMA synchronous=OFF;"
        )
    # Playwright keeps an event loop in the test's thread, which Django takes for asynchronous code.
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"


@pytest.hookimpl(wrapper=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> Iterator[None]:
    for item in items:
        used = set(getattr(item, "fixturenames", ()))
        if item.get_closest_marker("django_db") or used & DATABASE_FIXTURES:
            item.add_marker("database")
        if used & BROWSER_FIXTURES:
            item.add_marker("browser")
            if ROOT / "tests" / "browser" not in item.path.parents:
                raise pytest.UsageError(f"{item.nodeid} belongs into tests/browser: the run in Chromium reads no more.")
        if item.get_closest_marker("browser") and CHROMIUM is None:
            item.add_marker(pytest.mark.skip(reason="no Chromium on this machine"))
    yield  # what is asked for is chosen by these marks, and those that leave the tables as they were are put first
    items[:] = long_first(items, int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1")))


@pytest.hookimpl(trylast=True)
def pytest_collection_finish() -> None:
    """What was loaded stays to the end: going through it again for garbage took a tenth of the time of pages' tests."""
    gc.collect()
    gc.freeze()


def long_first(items: list[pytest.Item], processes: int) -> list[pytest.Item]:
    """Let each process begin with its share of the longest tests, so that none is left alone with one at the end.

    Of `--dist worksteal` each gets an equal part of the list, and takes from the ends of others' parts when done. What
    uses the same as a long test of its module follows it, so that only one process makes that.
    """
    by_length = {item: float(marked.args[0]) for item in items if (marked := item.get_closest_marker("long"))}
    longest = sorted(by_length, key=lambda item: -by_length[item])
    behind = {one: [item for item in items if item not in by_length and _shares(one, item)] for one in longest}
    following = {item for those in behind.values() for item in those}
    rest = [item for item in items if item not in by_length and item not in following]
    ordered: list[pytest.Item] = []
    for number in range(processes):
        share = (len(items) - len(ordered)) // (processes - number)
        first = [item for one in longest[number::processes] for item in (one, *behind[one])][:share]
        more = share - len(first)
        ordered += first + rest[:more]
        rest = rest[more:]
    taken = set(ordered)
    return ordered + [item for item in items if item not in taken]


def _shares(one: pytest.Item, other: pytest.Item) -> bool:
    """Whether the other stands in the module of the long one and its mark names a fixture that the other uses too."""
    if one.path != other.path:
        return False
    shared = next(one.iter_markers("long")).kwargs.get("shares", "")
    return bool(shared) and shared in getattr(other, "fixturenames", ())


@pytest.fixture(scope="session")
def django_db_keepdb() -> bool:
    """Tables that were copied are there already; the folder and the server they are in go away with the tests."""
    return TABLES in os.environ


@pytest.fixture(scope="session")
def django_db_modify_db_settings(django_db_modify_db_settings_parallel_suffix: None) -> None:
    """Copy the tables that `deploy.testing` has made; where a test is run without it, the migrations run here."""
    if tables := os.environ.get(TABLES):
        database = django_settings.DATABASES["default"]
        if database["ENGINE"].endswith("sqlite3"):
            shutil.copyfile(tables, database["TEST"]["NAME"])
        else:
            database["TEST"]["TEMPLATE"] = tables


@pytest.fixture(autouse=True, scope="session")
def _logged_in_just_now() -> None:
    """A login made by a test's ``force_login`` is one of this moment, as if the password had just been given."""
    from allauth.account.internal.flows.login import record_authentication  # Django is not set up above
    from django.contrib.auth.signals import user_logged_in

    import portal.views.guard  # noqa: F401 - a server has loaded it before anybody logs in

    def record(sender: object, request: Any, user: Any, **more: object) -> None:
        if not hasattr(request, "allauth"):  # no request of a browser
            record_authentication(request, user, method="password")

    user_logged_in.connect(record, weak=False)


@pytest.fixture(autouse=True)
def _nothing_counted_yet(request: pytest.FixtureRequest) -> None:
    """What a rate limit has counted in one test is not held against the next.

    It stands in the database, where most tests' changes are taken back; others only empty the tables of models.
    """
    marker = request.node.get_closest_marker("django_db")
    if (marker and marker.kwargs.get("transaction")) or {"transactional_db", "live_server"} & set(request.fixturenames):
        request.getfixturevalue("transactional_db")
        cache.clear()


def pytest_terminal_summary(terminalreporter: Any) -> None:
    skipped = [r for r in terminalreporter.stats.get("skipped", []) if "no Chromium" in str(r.longrepr)]
    if skipped:
        terminalreporter.section("NO BROWSER TEST RAN", sep="!", red=True, bold=True)
        terminalreporter.line(
            f"{len(skipped)} browser tests were left out: install Chromium (Debian: chromium-headless-shell)."
        )
    if any("no systemd-analyze" in str(r.longrepr) for r in terminalreporter.stats.get("skipped", [])):
        terminalreporter.section("HOW EXPOSED THE SERVICES ARE WAS NOT MEASURED", sep="!", red=True, bold=True)
        terminalreporter.line("There is no systemd-analyze on this machine (Debian: systemd).")


@pytest.fixture(scope="session")
def var() -> Path:
    """The data folder of this test run: what PORTAL_VAR is to a running portal."""
    folder: Path = django_settings.VAR
    return folder


@pytest.fixture(scope="session")
def supervisor(var: Path) -> Iterator[Supervisor]:
    """Starts servers for tests; none outlives the tests, however they end."""
    with Supervisor(var / "log") as started:
        yield started


@pytest.fixture(scope="session")
def redis_url(supervisor: Supervisor, tmp_path_factory: pytest.TempPathFactory) -> str:
    """A real Redis-protocol server for the whole test run."""
    _, url = start_queue(supervisor, tmp_path_factory.mktemp("queue"))
    return url


@pytest.fixture
def queue(redis_url: str, settings: Any) -> str:
    """The queue's URL, empty; the portal sends its jobs there during this test."""
    import redis  # only tests that need the queue pay for it

    with redis.Redis.from_url(redis_url) as client:
        client.flushall()
    settings.REDIS_URL = redis_url
    return redis_url


@pytest.fixture
def process_env(var: Path, transactional_db: None) -> dict[str, str]:
    """The environment in which another process works on this test's database and data folder."""
    from django.db import connection  # pytest reads this file before Django is set up

    known = connection.settings_dict
    url = f"sqlite:///{known['NAME']}"
    if connection.vendor == "postgresql":
        url = f"postgres://{known['USER']}:{known['PASSWORD']}@{known['HOST']}:{known['PORT']}/{known['NAME']}"
    return dict(os.environ) | {
        "DJANGO_SETTINGS_MODULE": "portal.settings",
        "PORTAL_DATABASE_URL": url,
        "PORTAL_SECRET_KEY": django_settings.SECRET_KEY,
        "PORTAL_VAR": str(var),
        "PYTHONUNBUFFERED": "1",
    }


@pytest.fixture
def celery_worker_process(
    supervisor: Supervisor, queue: str, process_env: dict[str, str]
) -> Iterator[Callable[..., Child]]:
    """Starts real workers, as `./deploy/run` does, on this test's database and queue; they may be killed."""
    started: list[Child] = []

    def start(app: str = "workers.app", broker: str = queue, *, wait: bool = True) -> Child:
        argv = [sys.executable, "-m", "celery", "--app", app, "worker", "--concurrency", "2", *WORKER_OPTIONS]
        name = f"worker-{len(list(supervisor.logs.iterdir()))}"
        worker = supervisor.start(Program(name, argv, process_env | {"PORTAL_REDIS_URL": broker}, stop_seconds=15))
        started.append(worker)
        if wait:
            supervisor.wait_until(lambda: " ready." in worker.log.read_text(), worker, 180)
        return worker

    yield start
    for worker in started:  # whatever it still does is of a test that is over
        if worker.process.poll() is None:
            worker.process.kill()
        supervisor.stop(worker)


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any], var: Path) -> dict[str, Any]:
    """Debian's Chromium instead of one that playwright would fetch; pages find their style, charts find plotly."""
    from portal.management.appearance import make_appearance  # as above
    from portal.management.commands.prepare_assets import take_plotly  # as above; and plotly takes a second

    take_plotly(var / "assets" / "plotly")
    make_appearance(var / "assets")
    return browser_type_launch_args | {"executable_path": CHROMIUM, "args": ["--no-sandbox"]}
