"""What a leg needs: found on the machine, started for this run, installed, or named as missing."""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import os
import pwd
import secrets
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

import psycopg
import redis
from psycopg import sql

ROOT = Path(__file__).resolve().parents[2]
CHROMIUM = ("chromium", "chromium-browser")
# Text is measured in it: without it a browser falls back on whatever face the machine has.
FACE = "Liberation Sans"


class NotHere(Exception):
    """A leg cannot run; the sentence says what to install."""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def install(*packages: str) -> None:
    """With Debian's packages, as root. Raises NotHere with the line to type otherwise."""
    line = f"apt-get install {' '.join(packages)}"
    if os.geteuid() != 0 or not shutil.which("apt-get"):
        raise NotHere(f"install it first: {line}")
    env = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    for command in (
        ["apt-get", "-qq", "update"],
        ["apt-get", "-qq", "install", "-y", "--no-install-recommends", *packages],
    ):
        print(f"  {' '.join(command)}", flush=True)
        done = subprocess.run(command, env=env, capture_output=True, text=True, check=False)
        if done.returncode != 0:
            raise NotHere(f"`{line}` failed: {done.stderr.strip()[-200:]}")


# ---------------------------------------------------------------------------------------------
# PostgreSQL


@dataclass(frozen=True)
class Server:
    """A PostgreSQL server in which this run may make its own databases and roles."""

    host: str
    port: int
    user: str
    password: str
    how: str


@contextlib.contextmanager
def postgres() -> Iterator[tuple[dict[str, str], str]]:
    """The environment of a run with two roles of its own, and how the server came to be."""
    with contextlib.ExitStack() as stack:
        server = _running() or stack.enter_context(_private())
        run = f"{os.getpid()}_{secrets.token_hex(3)}"
        owner, app = f"interspace_owner_{run}", f"interspace_app_{run}"
        password = secrets.token_hex(16)
        admin = stack.enter_context(_connect(server))
        # Roles belong to the whole server, so their names are this run's own.
        for role, rights in ((owner, "CREATEDB"), (app, "NOCREATEDB")):
            admin.execute(
                sql.SQL("CREATE ROLE {} LOGIN NOSUPERUSER NOCREATEROLE {} PASSWORD {}").format(
                    sql.Identifier(role), sql.SQL(rights), sql.Literal(password)
                )
            )
            # Nothing here outlives the run, and a process that is killed loses no commit by it.
            admin.execute(
                sql.SQL("ALTER ROLE {} SET synchronous_commit = off").format(sql.Identifier(role))
            )
        # The owner may see and end the application's sessions; the reverse is not granted.
        admin.execute(sql.SQL("GRANT {} TO {}").format(sql.Identifier(app), sql.Identifier(owner)))
        stack.callback(_forget, admin, owner, app)
        place = f"{quote(server.host, safe='')}:{server.port}/postgres"
        yield (
            {
                "DATABASE_OWNER_URL": f"postgres://{owner}:{password}@{place}",
                "DATABASE_URL": f"postgres://{app}:{password}@{place}",
                "INTERSPACE_TEST_DATABASE": f"interspace_test_{run}",
            },
            server.how,
        )


def _connect(server: Server) -> psycopg.Connection:
    return psycopg.connect(
        host=server.host,
        port=server.port,
        user=server.user,
        password=server.password or None,
        dbname="postgres",
        autocommit=True,
        connect_timeout=5,
    )


def _forget(admin: psycopg.Connection, owner: str, app: str) -> None:
    """Take away the databases and roles of this run, whatever a test left open."""
    names = admin.execute(
        "SELECT datname FROM pg_database d JOIN pg_roles r ON r.oid = d.datdba "
        "WHERE r.rolname = %s",
        [owner],
    ).fetchall()
    for (name,) in names:
        admin.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(name)))
    for role in (app, owner):
        admin.execute(sql.SQL("DROP ROLE {}").format(sql.Identifier(role)))


def _running() -> Server | None:
    """A server that is up and gives a role with CREATEDB and CREATEROLE."""
    candidates = []
    for name in ("DATABASE_OWNER_URL", "DATABASE_URL"):
        if (url := os.environ.get(name, "")).startswith("postgres"):
            at = psycopg.conninfo.conninfo_to_dict(url.replace("postgres://", "postgresql://", 1))
            candidates.append(
                Server(
                    str(at.get("host", "127.0.0.1")),
                    int(str(at.get("port") or 5432)),
                    str(at.get("user", "postgres")),
                    str(at.get("password", "")),
                    f"running, {name}",
                )
            )
    candidates.append(Server("127.0.0.1", 5432, "postgres", "", "running on 127.0.0.1:5432"))
    candidates.append(Server("/var/run/postgresql", 5432, "postgres", "", "running, local socket"))
    for server in candidates:
        with contextlib.suppress(psycopg.Error), _connect(server) as link:
            may = link.execute(
                "SELECT rolsuper OR (rolcreatedb AND rolcreaterole) FROM pg_roles "
                "WHERE rolname = current_user"
            ).fetchone()
            if may and may[0]:
                return server
    return None


def _binaries() -> Path | None:
    """The newest folder that holds initdb and postgres."""
    folders = [Path(p) for p in os.environ.get("PATH", "").split(os.pathsep) if p]
    packaged = Path("/usr/lib/postgresql").glob("*/bin")
    folders += sorted(packaged, key=lambda p: [int(n) for n in p.parent.name.split(".")])[::-1]
    for folder in folders:
        if all(os.access(folder / name, os.X_OK) for name in ("initdb", "postgres")):
            return folder
    return None


def _unprivileged() -> tuple[int | None, int | None]:
    """Whom root becomes for the server, which refuses to run as root; None for anybody else."""
    if os.geteuid() != 0:
        return None, None
    for name in ("postgres", "nobody"):
        with contextlib.suppress(KeyError):
            entry = pwd.getpwnam(name)
            return entry.pw_uid, entry.pw_gid
    raise NotHere("PostgreSQL does not run as root, and there is nobody else on this machine")


@contextlib.contextmanager
def _private() -> Iterator[Server]:
    """A server of this run alone, from the machine's binaries; fsync off, gone afterwards."""
    binaries = _binaries()
    if binaries is None:
        _install_postgresql()
        binaries = _binaries()
    if binaries is None:
        raise NotHere("no initdb on this machine: apt-get install postgresql")
    user, group = _unprivileged()
    # A short path: a socket's may not pass 107 bytes.
    with tempfile.TemporaryDirectory(prefix="ipg-", dir="/tmp", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        folder.chmod(0o700)
        if user is not None:
            os.chown(folder, user, group or 0)
        data, port, log = folder / "data", free_port(), folder / "log"
        made = subprocess.run(
            [
                binaries / "initdb", "-D", data, "-U", "postgres", "--auth=trust",
                "--encoding=UTF8", "--locale=C", "--no-sync",
            ],
            cwd=folder, capture_output=True, text=True, check=False, user=user, group=group,
        )  # fmt: skip
        if made.returncode != 0:
            raise NotHere(f"initdb failed: {made.stderr.strip()[-200:]}")
        settings = {
            "listen_addresses": "127.0.0.1",
            "port": port,
            "unix_socket_directories": folder,
            "fsync": "off",
            "synchronous_commit": "off",
            "full_page_writes": "off",
            "max_connections": 60,
        }
        arguments = [part for k, v in settings.items() for part in ("-c", f"{k}={v}")]
        with log.open("wb") as out:
            process = subprocess.Popen(
                [binaries / "postgres", "-D", data, *arguments],
                cwd=folder,
                stdout=out,
                stderr=subprocess.STDOUT,
                start_new_session=True,
                user=user,
                group=group,
            )
        server = Server("127.0.0.1", port, "postgres", "", "private, from the machine's binaries")
        try:
            _wait(lambda: _connect(server).close(), psycopg.Error, log)
            yield server
        finally:
            process.send_signal(2)  # SIGINT: a fast shutdown
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _install_postgresql() -> None:
    if os.geteuid() == 0:
        # Debian would start a server of its own at once, for ever.
        settings = Path("/etc/postgresql-common/createcluster.conf")
        if not settings.exists():
            settings.parent.mkdir(parents=True, exist_ok=True)
            settings.write_text("create_main_cluster = false\n")
    install("postgresql")


def _wait(attempt: Callable[[], None], errors: type[Exception], log: Path) -> None:
    end = time.monotonic() + 30
    while True:
        try:
            return attempt()
        except errors as last:
            if time.monotonic() > end:
                said = log.read_text(errors="replace")[-200:] if log.exists() else ""
                raise NotHere(f"the server does not answer: {last} {said}") from None
            time.sleep(0.1)


# ---------------------------------------------------------------------------------------------
# Redis


@contextlib.contextmanager
def broker() -> Iterator[tuple[dict[str, str], str]]:
    """The environment of a run over Redis under a prefix of its own, and where it came from."""
    prefix = f"interspace-test-{os.getpid()}-{secrets.token_hex(3)}"
    with contextlib.ExitStack() as stack:
        url = os.environ.get("REDIS_URL", "")
        if url:
            how = "running, REDIS_URL"
            _ping(url)
        else:
            url, how = "redis://127.0.0.1:6379/0", "running on 127.0.0.1:6379"
            try:
                _ping(url)
            except NotHere:
                url, how = stack.enter_context(_private_redis()), "private"
        stack.callback(_forget_keys, url, prefix)
        yield {"REDIS_URL": url, "INTERSPACE_REDIS_PREFIX": prefix}, how


def _ping(url: str) -> None:
    try:
        with redis.Redis.from_url(url, socket_connect_timeout=3) as link:
            link.ping()
    except redis.RedisError as refused:
        raise NotHere(f"no Redis at {url.rpartition('@')[2]}: {refused}") from None


@contextlib.contextmanager
def _private_redis() -> Iterator[str]:
    if not shutil.which("redis-server"):
        _install_redis()
    port = free_port()
    with tempfile.TemporaryDirectory(prefix="iredis-") as folder:
        log = Path(folder) / "log"
        with log.open("wb") as out:
            process = subprocess.Popen(
                [
                    "redis-server", "--port", str(port), "--bind", "127.0.0.1",
                    "--save", "", "--appendonly", "no", "--dir", folder,
                ],
                stdout=out, stderr=subprocess.STDOUT, start_new_session=True,
            )  # fmt: skip
        url = f"redis://127.0.0.1:{port}/0"
        try:
            _wait(lambda: _ping(url), NotHere, log)
            yield url
        finally:
            process.terminate()
            process.wait(20)


def _install_redis() -> None:
    """The server's program alone: what Debian starts with it listens on 6379 at once."""
    install("redis-server")


def _forget_keys(url: str, prefix: str) -> None:
    with contextlib.suppress(redis.RedisError), redis.Redis.from_url(url) as link:
        for key in link.scan_iter(match=f"*{prefix}*", count=1000):
            link.delete(key)


# ---------------------------------------------------------------------------------------------
# A browser


def chromium() -> str:
    """The browser's path; it and the face of the screens are installed where root may."""
    found = _browser()
    if found is None:
        install("chromium", "fonts-liberation")
        found = _browser()
    elif not _has_face():
        install("fonts-liberation")
    if found is None:
        raise NotHere("no Chromium on this machine: apt-get install chromium")
    return found


def _browser() -> str | None:
    return next(filter(None, map(shutil.which, CHROMIUM)), None)


def _has_face() -> bool:
    """Whether the machine has the face; where nothing can tell, no."""
    if not shutil.which("fc-list"):
        return False
    told = subprocess.run(["fc-list", FACE], capture_output=True, text=True, check=False)
    return bool(told.stdout.strip())


def nginx() -> str:
    """The proxy's path; the program alone, which whoever asks starts with a set-up of its own."""
    found = shutil.which("nginx") or shutil.which("nginx", path="/usr/sbin")
    if found is None:
        install("nginx-light")
        found = shutil.which("nginx") or shutil.which("nginx", path="/usr/sbin")
    if found is None:
        raise NotHere("no nginx on this machine: apt-get install nginx-light")
    return found


# ---------------------------------------------------------------------------------------------
# The protocol's own client


def tus_client() -> str:
    """Node's path, with the client's packages beside the tests that drive it, as its lock says."""
    place = ROOT / "tests" / "outside" / "tus_client"
    for name, package in (("node", "nodejs"), ("npm", "npm")):
        if not shutil.which(name):
            install(package)
    with (place / "package-lock.json").open() as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # two runs at once make it once
        made = place / "node_modules" / ".made-from"
        wanted = hashlib.sha256(lock.read().encode()).hexdigest()
        if not made.exists() or made.read_text() != wanted:
            line = ["npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund"]
            done = subprocess.run(line, cwd=place, capture_output=True, text=True, check=False)
            if done.returncode != 0:
                raise NotHere(f"`{' '.join(line)}` failed: {done.stderr.strip()[-200:]}")
            made.write_text(wanted)
    found = shutil.which("node")
    if found is None:
        raise NotHere("no Node on this machine: apt-get install nodejs npm")
    return found
