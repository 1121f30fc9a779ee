"""The program that opens untrusted files: a warm parent, and one forked child a file.

Started by `runner` as `python -m logbook.intake.child <socket>` with a clean environment. The
warm parent imports the decoders once, holds no secret and opens no file of anybody's; for each
job there is a fork of its own, which walls itself in and only then reads; while nothing is to be
done one is kept ready. A job comes as one datagram with open files: request (JSON), verdict (pipe,
written by the fork), status (pipe, written by the warm parent when the fork has ended), and what
the request works on.
"""

import array
import base64
import codecs
import functools
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
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any, BinaryIO

if __name__ == "__main__":
    # What could fetch files is not needed here, and loading it takes a fifth of the start.
    sys.modules["requests"] = None  # type: ignore[assignment]

import av
import av.audio.codeccontext
import av.logging
import av.subtitles.codeccontext
import numpy as np
import pydicom.charset
import pydicom.pixels.decoders
from PIL import Image

from logbook.intake import (
    cleaning,
    clips,
    dicom,
    fingerprint,
    frames,
    lines,
    marks,
    moving,
    sector,
    stills,
    walls,
)
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
        if brand in (b"avif", b"avis"):
            return moving.strip
        return stills.strip if brand[:2] in (b"he", b"mi", b"ms") else clips.strip
    if head[4:8] in (b"moov", b"mdat", b"wide", b"free", b"skip"):  # MOV may lack its type box
        return clips.strip
    if head.startswith((b"\xff\xd8\xff", b"II*\0", b"MM\0*")):
        return stills.strip
    if head.startswith((b"\x89PNG\r\n\x1a\n", b"GIF8")):
        return moving.strip
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return moving.strip
    if head[:4] == b"RIFF" and head[8:12] == b"AVI ":
        return functools.partial(clips.strip, form="avi")
    if head[:4] == b"\x1aE\xdf\xa3":
        return functools.partial(clips.strip, form="matroska")
    raise Refused("not_known")


@task
def finish(
    request: dict[str, Any], working: BinaryIO, master: BinaryIO, poster: BinaryIO
) -> dict[str, Any]:
    """Step two: cover the rectangles and write what is kept."""
    facts = Facts.from_json(request["facts"])
    mask = [Rectangle(**one) for one in request["mask"]]
    drawn = marks.boxes(marks.Marks(**request["marks"]), facts, mask)
    if facts.kind == stills.STILL:
        kept = stills.finish(working, master, poster, facts=facts, mask=mask, drawn=drawn)
    else:
        kept = clips.finish(
            working, master, poster, facts=facts, mask=mask, drawn=drawn, codec=request["codec"]
        )
    print_ = fingerprint.fingerprint(_luma_of(poster))
    return {"media_type": kept, "fingerprint": base64.b64encode(print_).decode()}


def _luma_of(jpeg: BinaryIO) -> np.ndarray:
    jpeg.seek(0)
    with Image.open(jpeg, formats=("JPEG",)) as picture:
        picture.draft("L", picture.size)  # its brightness alone is decoded
        return np.asarray(picture.convert("L"))


@task
def look(request: dict[str, Any], jpeg: BinaryIO) -> dict[str, Any]:
    """Where the image is in a picture of our own making."""
    image = sector.find([sector.small(_luma_of(jpeg))])
    return {"image": asdict(image) if image else None}


@task
def identifiers(request: dict[str, Any], source: BinaryIO) -> dict[str, Any]:
    """The identifiers of a DICOM file that have to be replaced; who has the key replaces them."""
    return {"uids": cleaning.identifiers(source)}


@task
def clean(request: dict[str, Any], source: BinaryIO, out: BinaryIO) -> dict[str, Any]:
    """A DICOM file for teaching: cleaned, with the rectangles covered."""
    cleaning.clean(
        source,
        out,
        facts=Facts.from_json(request["facts"]),
        mask=[Rectangle(**one) for one in request["mask"]],
        uids=request["uids"],
        limits=Limits(**request["limits"]),
    )
    return {}


@task
def strip_along(request: dict[str, Any], clip: BinaryIO, out: BinaryIO) -> dict[str, Any]:
    """What lies under one line of a clip of our own making, over its time."""
    line = tuple(request["line"])
    limits = Limits(**request["limits"])
    lines.strip_along(clip, out, line=line, caption=request["caption"], limits=limits)
    return {}


@task
def nothing(request: dict[str, Any]) -> dict[str, Any]:
    """End at once, for measuring what a child costs."""
    return {}


@task
def try_walls(request: dict[str, Any]) -> dict[str, Any]:
    """Try each wall from inside."""
    budget = walls.Budget(**request["budget"])
    return {"walls": walls.try_walls(request["secret"], request["parent"], budget)}


@dataclass
class Ready:
    """A fork that waits for its job, and where to send it."""

    pid: int
    control: socket.socket


@dataclass
class Job:
    """A fork at work, as the warm parent sees it."""

    pid: int
    status: int
    deadline: float
    timed_out: bool = False


def serve(control: socket.socket, warm: Callable[[], Callable[[], None]]) -> None:
    """Take jobs until the other end goes away. `warm` gets all forks ready and returns what gets
    one ready."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the service to handle
    own_network = walls.leave_network()
    rehearse = warm()
    gc.collect()
    gc.freeze()
    selector = selectors.DefaultSelector()
    selector.register(control, selectors.EVENT_READ)
    jobs: dict[int, Job] = {}  # by pidfd
    ready: Ready | None = None

    def fork(*first: Callable[[], None]) -> Ready:
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        pid = os.fork()
        if pid == 0:
            try:
                control.close()
                ours.close()
                for inherited in (*jobs, *(job.status for job in jobs.values())):
                    os.close(inherited)
                attend(theirs, *first)
            finally:
                os._exit(1)
        theirs.close()
        return Ready(pid, ours)

    control.send(json.dumps({"ready": True, "own_network": own_network}).encode())
    while True:
        if not jobs and ready is None:
            ready = fork(rehearse)
        soonest = min((job.deadline for job in jobs.values() if not job.timed_out), default=None)
        timeout = None if soonest is None else max(soonest - time.monotonic(), 0)
        for key, _events in selector.select(timeout):
            if key.fileobj is control:
                handles = receive(control)
                if handles is None:
                    for job in jobs.values():
                        os.kill(job.pid, signal.SIGKILL)
                    return
                pidfd, job = start(handles, ready or fork(), fork)
                ready = None
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


def start(handles: list[int], ready: Ready, another: Callable[[], Ready]) -> tuple[int, Job]:
    """Hand a job to its fork; returns its pidfd and what to remember."""
    request_fd, verdict_fd, status_fd, *files = handles
    budget = walls.Budget(**_asked(request_fd)["budget"])
    given = [request_fd, verdict_fd, *files]
    rights = [(socket.SOL_SOCKET, socket.SCM_RIGHTS, array.array("i", given))]
    try:
        ready.control.sendmsg([b"job"], rights)
    except BrokenPipeError:  # something ended it while it waited
        ready.control.close()
        os.waitpid(ready.pid, 0)
        ready = another()
        ready.control.sendmsg([b"job"], rights)
    ready.control.close()
    for handle in given:
        os.close(handle)
    job = Job(ready.pid, status_fd, time.monotonic() + budget.wall_seconds)
    return os.pidfd_open(ready.pid), job


def attend(control: socket.socket, *first: Callable[[], None]) -> None:
    """Inside a fork: get ready, wait for the one job, do it, end."""
    for one in first:
        one()
    handles = receive(control)
    control.close()
    if handles:
        request, verdict, *files = handles
        work(_asked(request), verdict, files)  # does not return


def _asked(handle: int) -> dict[str, Any]:
    return json.loads(os.pread(handle, os.fstat(handle).st_size, 0))


def reap(pidfd: int, job: Job) -> None:
    """Tell the runner how a fork ended."""
    _pid, status = os.waitpid(job.pid, 0)
    ended = {"code": os.waitstatus_to_exitcode(status), "timed_out": job.timed_out}
    try:
        os.write(job.status, json.dumps(ended).encode())
    except BrokenPipeError:  # nobody asks, once there is a verdict
        pass
    os.close(job.status)
    os.close(pidfd)


def work(request: dict[str, Any], verdict: int, files: list[int]) -> None:
    """Wall in, do the job, say how it went, end."""
    try:
        said = _work(request, files)
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


def _work(request: dict[str, Any], files: list[int]) -> dict[str, Any]:
    function, budget = TASKS[request["task"]], walls.Budget(**request["budget"])
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


def quiet() -> None:
    """No decoder says anything: it might repeat what the file holds."""
    warnings.simplefilter("ignore")
    logging.disable(logging.CRITICAL)
    av.logging.set_level(None)
    Image.preinit()


def warm() -> Callable[[], None]:
    """Load all that decoding may load later, when no file can be opened any more. Returns what a
    fork does beforehand, so that the memory which every job writes to is its own already."""
    quiet()
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
    writer = frames.WorkingWriter(working)
    for _frame in range(2):
        writer.add(frames.even(pixels.astype(np.uint8)))
    writer.close(io.BytesIO())
    facts = clips.facts_of_clip(writer, times=[0, 1], ticks=25, end=2, times_known=True,
                                file_date="absent", source="", colour={})  # fmt: skip
    working = io.BytesIO(working.getvalue())
    clips.finish(working, master, io.BytesIO(), facts=facts, mask=facts.mask)

    def rehearse() -> None:
        working = io.BytesIO()
        master.seek(0)
        asked = {"limits": asdict(limits), "day": asdict(day)}
        stripped = strip(asked, master, working, io.BytesIO())
        working.seek(0)
        asked = {**stripped, "mask": [], "marks": {}, "codec": "h264"}
        finish(asked, working, io.BytesIO(), io.BytesIO())

    rehearse()
    master.seek(0)
    lines.strip_along(master, io.BytesIO(), line=(0.5, 0, 0.5, 1), caption="warm", limits=limits)
    fingerprint.fingerprint(pixels.astype(np.uint8))
    cleaning.warm()
    return rehearse


def main() -> None:
    """Serve on the socket named by the first argument."""
    control = socket.socket(fileno=int(sys.argv[1]))
    serve(control, warm)


if __name__ == "__main__":
    # Under its own name, so that classes are the same in this module and in those it imports.
    from logbook.intake import child

    child.main()
