"""The service's own settings, started in a folder of the test run's own.

Only four things differ: where data go, static files come from their source folders, passwords are
hashed cheaply, and letters are looked for by the tests that are about them alone. Anything else
that a test needs otherwise, it says itself.
"""

import atexit
import os
import shutil
import tempfile
from pathlib import Path

if "INTERSPACE_TEST_DATA" in os.environ:
    _data = Path(os.environ["INTERSPACE_TEST_DATA"])
else:
    _data = Path(tempfile.mkdtemp(prefix="interspace-test-"))
    os.environ["INTERSPACE_TEST_DATA"] = str(_data)  # workers of one run share the folder's parent
    atexit.register(shutil.rmtree, _data, ignore_errors=True)

_worker = os.environ.get("PYTEST_XDIST_WORKER", "one")
if "INTERSPACE_REDIS_PREFIX" in os.environ and not os.environ["INTERSPACE_REDIS_PREFIX"].endswith(
    _worker
):
    os.environ["INTERSPACE_REDIS_PREFIX"] += f"-{_worker}"
os.environ["INTERSPACE_DATA"] = str(_data / _worker)
os.environ.setdefault("INTERSPACE_STATIC_FROM_SOURCE", "true")
os.environ.setdefault("INTERSPACE_LOG_LEVEL", "ERROR")
os.environ.setdefault("INTERSPACE_LETTERS", "false")
# Test databases are made, migrated and emptied by the owner; tests/conftest.py then hands the
# connection to the application's role.
os.environ.setdefault("INTERSPACE_DATABASE_AS", "owner")

from deploy.settings import *  # noqa: E402, F403
from deploy.settings import DATA_DIR, DATABASES, env  # noqa: E402

DATABASE_APPLICATION = (
    env.db_url_config(os.environ["DATABASE_URL"]) if os.environ.get("DATABASE_URL") else None
)

# A file, not memory: SQLite's memory databases share one lock table and skip WAL.
if DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    DATABASES["default"]["TEST"] = {"NAME": str(DATA_DIR / "test.sqlite3")}
else:
    DATABASES["default"]["TEST"] = {
        "NAME": os.environ.get("INTERSPACE_TEST_DATABASE", f"interspace_test_{os.getppid()}")
    }
    DATABASES["default"]["CONN_MAX_AGE"] = 0

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
