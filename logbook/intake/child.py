"""The program that opens untrusted files: a warm parent, and one forked child a file.

Started by `runner` as `python -m logbook.intake.child <socket>` with a clean environment. The
warm parent imports the decoders once, holds no secret and opens no file of anybody's; for each
job it forks, the fork walls itself in and only then reads. A job comes as one datagram with
open files: request (JSON), verdict (pipe, written by the fork), status (pipe, written by the
warm parent when the fork has ended), and what the request works on.
"""

import array
import codecs
import gc
import io
import json
import logging
import os
import selectors
import signal
import socket
import sys
import time
import traceback
import warnings
from dataclasses import asdict, dataclass
from typing import Any, BinaryIO

import av
import av.logging
import numpy as np
import pydicom.charset
import pydicom.pixels.decoders
from PIL import Image

from logbook.intake import clips, dicom, stills, walls
from logbook.intake.facts import Day, Facts, Limits, Rectangle, Refused

HANDLES = 8
TASKS = {}


def task(function):
    """Make `function(request, *files) -> dict` callable by name from the runner."""
    TASKS[function.__name__] = function
    return function


@task
def strip(
    request: dict[str, Any], source: BinaryIO, working: BinaryIO, poster: BinaryIO
) -> dict[str, Any]:
    """Step one: find out what the file is and write its pixels afresh."""
    limits, day = Limits(**request["limits"]), Day(**request["day"])
    head = source.read(dicom.MARK_AT + len(dicom.MARK))
    source.seek(0)
    if not head:
        raise Refused("empty")
    facts = _reader_for(head)(source, working, poster, limits=limits, day=day)
    return {"facts": facts.as_json()}


def _reader_for(head: bytes):
    """Which decoder may try; that the file is what it claims is for the decoder to find."""
    if head[dicom.MARK_AT :] == dicom.MARK:
        return dicom.strip
    if head[4:8] == b"ftyp":
        brand = head[8:12]
        still = brand[:2] in (b"he", b"mi", b"ms") or brand[:4] in (b"avif", b"avis")
        return stills.strip if still else clips.strip
    if head[4:8] in (b"moov", b"mdat", b"wide", b"free", b"skip"):  # MOV may lack its type box
        return clips.strip
    if head[:3] == b"\xff\xd8\xff" or head[:8] == b"\x89PNG\r\n\x1a\n":
        return stills.strip
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return stills.strip
    raise Refused("not_known")


@task
def finish(
    request: dict[str, Any], working: BinaryIO, master: BinaryIO, poster: BinaryIO
) -> dict[str, Any]:
    """Step two: cover the rectangles and write what is kept."""
    facts = Facts.from_json(request["facts"])
    mask = [Rectangle(**one) for one in request["mask"]]
    finisher = stills.finish if facts.kind == stills.STILL else clips.finish
    return {"media_type": finisher(working, master, poster, facts=facts, mask=mask)}


@task
def try_walls(request: dict[str, Any]) -> dict[str, Any]:
    """Try each wall from inside."""
    budget = walls.Budget(**request["budget"])
    return {"walls": walls.try_walls(request["secret"], request["parent"], budget)}


@task
def misbehave(request: dict[str, Any]) -> dict[str, Any]:
    """End the way a job may end at worst; what the runner makes of it is for the tests."""
    match request["how"]:
        case "crash":
            os.abort()
        case "hang":
            signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGALRM, signal.SIGTERM])
            while True:
                time.sleep(1)
        case "spin":
            while True:
                pass
        case "eat":
            return {"size": len(b"x" * request["bytes"])}
        case "babble":
            return {"noise": "x" * request["bytes"]}
        case _:
            raise RuntimeError(request["how"])


@dataclass
class Job:
    """A fork at work, as the warm parent sees it."""

    pid: int
    status: int
    deadline: float
    timed_out: bool = False


def serve(control: socket.socket) -> None:
    """Take jobs until the other end goes away."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the service to handle
    own_network = walls.leave_network()
    warm()
    gc.collect()
    gc.freeze()
    selector = selectors.DefaultSelector()
    selector.register(control, selectors.EVENT_READ)
    jobs: dict[int, Job] = {}  # by pidfd
    control.send(json.dumps({"ready": True, "own_network": own_network}).encode())
    while True:
        soonest = min((job.deadline for job in jobs.values() if not job.timed_out), default=None)
        timeout = None if soonest is None else max(soonest - time.monotonic(), 0)
        for key, _events in selector.select(timeout):
            if key.fileobj is control:
                handles = receive(control)
                if handles is None:
                    for job in jobs.values():
                        os.kill(job.pid, signal.SIGKILL)
                    return
                pidfd, job = start(handles, control, jobs)
                jobs[pidfd] = job
                selector.register(pidfd, selectors.EVENT_READ)
            else:
                selector.unregister(key.fd)
                reap(key.fd, jobs.pop(key.fd))
        for job in jobs.values():
            if job.deadline <= time.monotonic() and not job.timed_out:
                job.timed_out = True
                os.kill(job.pid, signal.SIGKILL)


def receive(control: socket.socket) -> list[int] | None:
    """The open files of the next job, or None when the other end has gone."""
    size = array.array("i").itemsize
    try:
        message, ancillary, _flags, _address = control.recvmsg(
            64, socket.CMSG_SPACE(HANDLES * size), socket.MSG_CMSG_CLOEXEC
        )
    except ConnectionResetError:
        return None
    if not message:
        return None
    handles = array.array("i")
    for level, kind, data in ancillary:
        if level == socket.SOL_SOCKET and kind == socket.SCM_RIGHTS:
            handles.frombytes(data[: len(data) - len(data) % size])
    return list(handles)


def start(handles: list[int], control: socket.socket, jobs: dict[int, Job]) -> tuple[int, Job]:
    """Fork a child for one job; returns its pidfd and what to remember."""
    request_fd, verdict_fd, status_fd, *files = handles
    request = json.loads(os.pread(request_fd, os.fstat(request_fd).st_size, 0))
    budget = walls.Budget(**request["budget"])
    pid = os.fork()
    if pid == 0:
        control.close()
        for inherited in (status_fd, *jobs, *(job.status for job in jobs.values())):
            os.close(inherited)
        work(request, budget, verdict_fd, files)  # does not return
    for handle in (request_fd, verdict_fd, *files):
        os.close(handle)
    return os.pidfd_open(pid), Job(pid, status_fd, time.monotonic() + budget.wall_seconds)


def reap(pidfd: int, job: Job) -> None:
    """Tell the runner how a fork ended."""
    _pid, status, usage = os.wait4(job.pid, 0)
    code = os.waitstatus_to_exitcode(status)
    ended = {"code": code, "timed_out": job.timed_out, "peak_kb": usage.ru_maxrss,
             "cpu_seconds": round(usage.ru_utime + usage.ru_stime, 3)}  # fmt: skip
    try:
        os.write(job.status, json.dumps(ended).encode())
    except BrokenPipeError:
        pass
    os.close(job.status)
    os.close(pidfd)


def work(request: dict[str, Any], budget: walls.Budget, verdict: int, files: list[int]) -> None:
    """Wall in, do the job, say how it went, end."""
    try:
        said = _work(request, budget, files)
    except Refused as refused:
        said = {"refusal": asdict(refused.refusal)}
    except MemoryError:
        said = {"refusal": {"code": "too_heavy"}}
    except walls.NoWalls as missing:
        said = {"refusal": {"code": "no_walls", "again": True, "trace": str(missing)}}
    except BaseException as error:  # whatever a file causes is its refusal
        said = {"refusal": {"code": "damaged", "trace": _trace(error)}}
    try:
        out = json.dumps(said).encode()
        with os.fdopen(verdict, "wb") as pipe:
            pipe.write(out)
    finally:
        os._exit(0)


def _work(request: dict[str, Any], budget: walls.Budget, files: list[int]) -> dict[str, Any]:
    function = TASKS[request["task"]]
    opened = [os.fdopen(handle, mode) for handle, mode in zip(files, request["modes"], strict=True)]
    if request["walls"]:
        walls.raise_walls(budget)
    else:
        walls.limit(budget)
    said = function(request, *opened)
    for one in opened:
        one.flush()
    return said


def _trace(error: BaseException) -> str:
    """The error's kind and place, without its text, which may repeat what the file holds."""
    places = traceback.extract_tb(error.__traceback__)[-1:]
    where = "".join(f" at {os.path.basename(one.filename)}:{one.lineno}" for one in places)
    return type(error).__name__ + where


def warm() -> None:
    """Load all that decoding may load later, when no file can be opened any more."""
    warnings.simplefilter("ignore")
    logging.disable(logging.CRITICAL)
    av.logging.set_level(None)
    Image.preinit()
    for names in pydicom.charset.python_encoding.values():
        codecs.lookup(names)
    for decoder in vars(pydicom.pixels.decoders).values():
        if isinstance(decoder, pydicom.pixels.decoders.base.Decoder):
            decoder.is_available  # noqa: B018  (asking loads its plugins)
    limits, day = Limits(), Day("2000-01-01")
    pixels = np.arange(64 * 64, dtype=np.uint32).reshape(64, 64) % 251
    grey = Image.fromarray(pixels.astype(np.uint8))
    for form in ("JPEG", "PNG", "WEBP", "HEIF", "AVIF"):
        made = io.BytesIO()
        grey.convert("RGB").save(made, form)
        made.seek(0)
        working, poster = io.BytesIO(), io.BytesIO()
        facts = stills.strip(made, working, poster, limits=limits, day=day)
        working.seek(0)
        stills.finish(working, io.BytesIO(), io.BytesIO(), facts=facts, mask=facts.mask)
    working, master = io.BytesIO(), io.BytesIO()
    writer = clips.WorkingWriter(working, {})
    for _frame in range(2):
        writer.add(clips.even(pixels.astype(np.uint8)))
    writer.close(io.BytesIO())
    facts = clips.facts_of_clip(writer, times=[0, 1], ticks=25, end=2, times_known=True,
                                file_date="absent", source="", colour={})  # fmt: skip
    working = io.BytesIO(working.getvalue())
    clips.finish(working, master, io.BytesIO(), facts=facts, mask=facts.mask)
    master.seek(0)
    clips.strip(master, io.BytesIO(), io.BytesIO(), limits=limits, day=day)


def main() -> None:
    """Serve on the socket named by the first argument."""
    control = socket.socket(fileno=int(sys.argv[1]))
    serve(control)


if __name__ == "__main__":
    # Under its own name, so that classes are the same in this module and in those it imports.
    from logbook.intake import child

    child.main()
