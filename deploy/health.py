"""`/healthz`: the process answers. `/readyz`: what it stands on answers too."""

from __future__ import annotations

import os
import tempfile
import uuid
from collections.abc import Callable
from pathlib import Path

import structlog
from django.conf import settings
from django.core.files.storage import FileSystemStorage, default_storage
from django.db import connection
from django.db.migrations.executor import MigrationExecutor
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.views.decorators.http import require_safe

from deploy.celery import app

log = structlog.get_logger("interspace.health")


def database() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
        cursor.fetchone()


def migrations() -> None:
    executor = MigrationExecutor(connection)
    waiting = executor.migration_plan(executor.loader.graph.leaf_nodes())
    if waiting:
        raise RuntimeError(f"{len(waiting)} migrations wait; run: manage.py prepare")


def storage() -> None:
    """A file can be written where captures go; elsewhere than on a disk, the bucket answers."""
    if isinstance(default_storage, FileSystemStorage) or settings.S3_BUCKET == "":
        place = Path(settings.MEDIA_ROOT)
        place.mkdir(parents=True, exist_ok=True, mode=0o700)
        with tempfile.TemporaryFile(dir=place) as probe:
            probe.write(os.urandom(64))
            probe.flush()
    else:
        default_storage.exists(f"readyz-{uuid.uuid4().hex}")


def broker() -> None:
    if settings.REDIS_URL:
        with app.connection_for_write(connect_timeout=2) as link:
            link.ensure_connection(max_retries=1, interval_start=0, timeout=3)
        return
    queue = Path(settings.CELERY_BROKER_TRANSPORT_OPTIONS["data_folder_out"])
    with tempfile.NamedTemporaryFile(dir=queue, prefix=".readyz-", suffix=".probe") as probe:
        probe.write(b"1")
        probe.flush()


CHECKS: dict[str, Callable[[], None]] = {
    "database": database,
    "migrations": migrations,
    "storage": storage,
    "broker": broker,
}


@require_safe
def alive(request: HttpRequest) -> HttpResponse:
    return HttpResponse("alive\n", content_type="text/plain; charset=utf-8")


@require_safe
def ready(request: HttpRequest) -> JsonResponse:
    """200 when all answer, 503 otherwise. Names what failed; why is in the log alone."""
    answers: dict[str, str] = {}
    for name, check in CHECKS.items():
        try:
            check()
        except Exception as failure:  # whatever it is, the answer is "not ready"
            log.warning("not ready", check=name, failure=repr(failure))
            answers[name] = "failed"
        else:
            answers[name] = "ok"
    fine = all(answer == "ok" for answer in answers.values())
    return JsonResponse(answers, status=200 if fine else 503)
