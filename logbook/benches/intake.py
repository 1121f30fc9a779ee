"""A file from encrypted staging to its master in the store, beside the bare libraries.

Ours is all that a worker does: both steps with their rows, a walled child each, encryption of
what waits between them, and the store. The base makes the same three pictures (preview, poster,
master) from the same frames in one warm process that already holds the file in memory: decode,
cover the same rectangles, encode with the same settings, hash and fsync each. One thread a side,
and nobody looks for letters.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import os
import statistics
import subprocess
import sys
import tempfile
import time
import uuid
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pillow_heif
import pydicom
from av.bitstream import BitStreamFilterContext
from django.conf import settings
from django.test.utils import override_settings
from django.utils import timezone
from PIL import Image, ImageOps
from pydicom.data import get_testdata_file

from accounts.actions import people, programmes
from accounts.benching import Measure, bench, scratch_database
from accounts.fields import uuid7
from accounts.models import Role
from logbook import keeping, processing
from logbook.actions import captures, exams
from logbook.intake import clips, frames, staging, stills
from logbook.intake.arrival import ArrivalMac
from logbook.intake.facts import Day, Rectangle, Refusal
from logbook.intake.runner import Runner
from logbook.models import Capture, Exam, Upload
from logbook.uploads import ARRIVED, Arrival

TIMES = 9
MASK = (Rectangle(0, 0, 1, 0.1), Rectangle(0, 0.93, 1, 1))
STILL_SIDES = (4032, 3024)
IMPORTS = "import av, numpy, pillow_heif, pydicom, PIL.Image"


@dataclass(frozen=True)
class Case:
    """One file and how the bare libraries turn it into the same outputs."""

    name: str
    content: bytes
    bare: Callable[[bytes, Path], int]


@bench("intake")
def intake() -> Iterator[Measure]:
    """Stills, clips and cines through the whole intake; the child's start apart."""
    yield from _starts()
    pillow_heif.register_heif_opener(thumbnails=False)
    with (
        tempfile.TemporaryDirectory(dir=_data()) as scratch,
        scratch_database(),
        override_settings(
            LETTERS=False,
            STAGING_ROOT=Path(scratch) / "staging",
            STORAGES={
                **settings.STORAGES,
                "default": {
                    "BACKEND": "django.core.files.storage.FileSystemStorage",
                    "OPTIONS": {"location": Path(scratch) / "media"},
                },
            },
        ),
    ):
        keeping.letters.cache_clear()  # looking for letters is a measure of its own size
        exam = _exam()
        keeping.runner().start()
        for case in _cases():
            yield _beside(case, exam, Path(scratch))
        yield _two_workers(_moving_clip())
        keeping.runner().close()


def _data() -> Path:
    Path(settings.DATA_DIR).mkdir(parents=True, exist_ok=True)
    return Path(settings.DATA_DIR)


def _starts() -> Iterator[Measure]:
    """Cold: the first file's wait for the child program, beside a bare start of Python with the
    same decoders. Warm: a fork behind walls that does nothing, beside a bare fork."""
    cold, bare = [], []
    for _ in range(TIMES):
        runner = Runner()
        cold.append(runner.start() * 1000)
        runner.close()
        bare.append(_ms(_bare_start))
    yield Measure(
        "intake", "start-cold", statistics.median(cold), statistics.median(bare), "ms", TIMES
    )
    runner = Runner()
    runner.start()
    warm = [_ms(runner.nothing) for _ in range(TIMES * 5)]
    forks = [_ms(_bare_fork) for _ in range(TIMES * 5)]
    runner.close()
    yield Measure(
        "intake", "start-warm", statistics.median(warm), statistics.median(forks), "ms", len(warm)
    )


def _bare_start() -> None:
    subprocess.run([sys.executable, "-c", IMPORTS], check=True)  # noqa: S603  (nothing of a request)


def _bare_fork() -> None:
    pid = os.fork()
    if pid == 0:
        os._exit(0)
    os.waitpid(pid, 0)


def _ms(do: Callable[[], object]) -> float:
    began = time.perf_counter()
    do()
    return (time.perf_counter() - began) * 1000


def _cases() -> Iterator[Case]:
    picture = Image.fromarray(_still())
    yield Case("still-jpeg-12mp", _encoded(picture, "JPEG", quality=92), bare_still)
    heic = _encoded(picture, "HEIF", quality=75, enc_params={"preset": "ultrafast"})
    yield Case("still-heic-12mp", heic, bare_still)
    yield Case("clip-mp4-90", _moving_clip(), bare_clip)
    for name, file in (
        ("cine-30", pydicom.examples.get_path("ybr_color")),
        ("cine-120", get_testdata_file("color3d_jpeg_baseline.dcm", download=False)),
    ):
        if file:  # the second comes with a package of the development group
            yield Case(name, Path(file).read_bytes(), bare_cine)


def _beside(case: Case, exam: Exam, scratch: Path) -> Measure:
    """Turn by turn, so that what else the machine does falls on both."""
    ours, base = [], []
    bytes_kept = frames = 0
    for turn in range(TIMES + 1):
        taken, capture = _whole_intake(exam, case.content)
        fresh = scratch / f"{case.name}-{turn}"
        fresh.mkdir()
        began = time.perf_counter()
        frames = case.bare(case.content, fresh)
        alone = (time.perf_counter() - began) * 1000
        if capture.frames != frames:
            raise RuntimeError(f"{case.name}: {capture.frames} frames are not {frames}")
        bytes_kept = keeping.store().size(capture.master_key)
        if turn:
            ours.append(taken)
            base.append(alone)
    return Measure(
        "intake", case.name, statistics.median(ours), statistics.median(base), "ms", TIMES,
        f"{len(case.content)} bytes in, {bytes_kept} kept, {frames} frames",
    )  # fmt: skip


def _whole_intake(exam: Exam, content: bytes) -> tuple[float, Capture]:
    """Milliseconds of the worker's two turns; the person's confirmation between is not counted."""
    capture = _arrived(exam, content)
    upload = Upload.objects.get(capture=capture)
    first = _ms(lambda: processing.process(upload, clock=timezone.now))
    capture.refresh_from_db()
    if capture.state != "confirm_mask":
        raise RuntimeError(capture.refusal or capture.state)
    captures.confirm_mask(capture=capture, mask=MASK, by=exam.trainee, at=timezone.now())
    upload.refresh_from_db()
    second = _ms(lambda: processing.process(upload, clock=timezone.now))
    capture.refresh_from_db()
    if capture.state != "ready":
        raise RuntimeError(capture.refusal or capture.state)
    return first + second, capture


def _two_workers(content: bytes) -> Measure:
    """Clips a second of two workers beside one: each with its child, without rows."""
    each = 8

    def work(runner: Runner) -> None:
        for _ in range(each):
            _both_steps(runner, content)

    runners = [Runner(at_once=1), Runner(at_once=1)]
    for runner in runners:
        _both_steps(runner, content)
    one = _ms(lambda: work(runners[0]))
    with ThreadPoolExecutor(2) as pool:
        two = _ms(lambda: list(pool.map(work, runners)))
    for runner in runners:
        runner.close()
    return Measure(
        "intake", "clip-two-workers", 2 * each * 1000 / two, each * 1000 / one, "clips/s",
        each, "how much two workers do beside one; needs a second core that is free",
    )  # fmt: skip


def _both_steps(runner: Runner, content: bytes) -> None:
    stripped = runner.strip([content], day=Day("2026-03-04"))
    if isinstance(stripped, Refusal):
        raise RuntimeError(stripped.sentence)
    waiting = [stripped.working[:]]
    finished = runner.finish(waiting, facts=stripped.facts, mask=MASK)
    if isinstance(finished, Refusal):
        raise RuntimeError(finished.sentence)


# --- the base: what a script without any of our concerns would do ---------------------------------


def bare_still(content: bytes, folder: Path) -> int:
    """Preview, poster and master of a picture."""
    picture = Image.open(io.BytesIO(content))
    ImageOps.exif_transpose(picture, in_place=True)
    picture = picture.convert("RGB")
    _bare_small(picture, stills.PREVIEW_SIDE, folder / "preview")
    for box in _boxes(picture.width, picture.height):
        picture.paste(0, box)
    _bare_small(picture, stills.POSTER_SIDE, folder / "poster")
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=stills.JPEG_QUALITY, subsampling=0)
    _bare_keep(out.getbuffer(), folder / "master")
    return 1


def bare_clip(content: bytes, folder: Path) -> int:
    """Preview, poster and master of a clip."""
    with av.open(io.BytesIO(content)) as container:
        stream = container.streams.video[0]
        stream.codec_context.thread_count = 1
        shown = list(container.decode(stream))
    ticks = shown[0].time_base.denominator
    return _bare_encode(shown, [frame.pts for frame in shown], ticks, folder)


def bare_cine(content: bytes, folder: Path) -> int:
    """Preview, poster and master of a cine."""
    data = pydicom.dcmread(io.BytesIO(content))
    shown = [
        av.VideoFrame.from_ndarray(pixels, format="rgb24").reformat(
            format="yuv420p", dst_colorspace=frames.SMPTE170M
        )
        for pixels in pydicom.pixels.iter_pixels(data)
    ]
    step = round(float(data.FrameTime) * 1000)
    return _bare_encode(shown, [index * step for index in range(len(shown))], 10**6, folder)


def _bare_encode(shown: list[av.VideoFrame], times: list[int], ticks: int, folder: Path) -> int:
    """As ours: its index before its pictures, and no words of the encoder among them."""
    _bare_small(shown[len(shown) // 2].to_image(), stills.PREVIEW_SIDE, folder / "preview")
    muxer = {"movflags": "faststart", "fflags": "+bitexact"}
    with av.open(folder / "master", "w", format="mp4", options=muxer) as target:
        options = {
            "crf": clips.QUALITY,
            "preset": clips.PRESET,
            "bf": "0",
            "g": str(clips.KEY_EVERY),
        }
        stream = target.add_stream("libx264", rate=30, options=options)
        stream.width, stream.height = shown[0].width, shown[0].height
        stream.pix_fmt = "yuv420p"
        stream.codec_context.thread_count = 1
        stream.codec_context.time_base = stream.time_base = Fraction(1, ticks)
        cleaner = BitStreamFilterContext(clips.FORMS["h264"].cleaner, stream)
        for index, (frame, pts) in enumerate(zip(shown, times, strict=True)):
            frame.make_writable()
            for plane, black, half in zip(frame.planes, (16, 128, 128), (1, 2, 2), strict=True):
                rows = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
                for x0, y0, x1, y1 in _boxes(frame.width, frame.height):
                    rows[y0 // half : -(-y1 // half), x0 // half : -(-x1 // half)] = black
            frame.pts, frame.time_base, frame.pict_type = pts, Fraction(1, ticks), 0
            if index == len(shown) // 2:
                _bare_small(frame.to_image(), stills.POSTER_SIDE, folder / "poster")
            for packet in stream.encode(frame):
                target.mux(cleaner.filter(packet))
        for packet in stream.encode():
            target.mux(cleaner.filter(packet))
        target.mux(cleaner.filter(None))
    with (folder / "master").open("r+b") as kept:
        hashlib.file_digest(kept, "sha256")
        os.fsync(kept.fileno())
    staging.fsync_folder(folder)
    return len(shown)


def _boxes(width: int, height: int) -> Iterable[tuple[int, int, int, int]]:
    for one in MASK:
        yield (
            round(one.x0 * width), round(one.y0 * height),
            round(one.x1 * width), round(one.y1 * height),
        )  # fmt: skip


def _bare_small(picture: Image.Image, side: int, path: Path) -> None:
    small = picture.copy()
    small.thumbnail((side, side))
    out = io.BytesIO()
    small.save(out, "JPEG", quality=85)
    _bare_keep(out.getbuffer(), path)


def _bare_keep(content: bytes | memoryview, path: Path) -> None:
    hashlib.sha256(content).hexdigest()
    with path.open("wb") as out:
        out.write(content)
        out.flush()
        os.fsync(out.fileno())
    staging.fsync_folder(path.parent)  # a file that is new is not there without its folder


# --- what is taken in -----------------------------------------------------------------------------


def _still() -> np.ndarray:
    """A photograph of a grey screen: large and small structure and a sensor's noise."""
    width, height = STILL_SIDES
    rng = np.random.default_rng(1)
    coarse = rng.normal(0, 1, (height // 8, width // 8)).astype(np.float32)
    large = np.asarray(Image.fromarray(coarse).resize((width, height), Image.Resampling.BICUBIC))
    grey = np.clip(128 + 40 * large + rng.normal(0, 4, (height, width)), 0, 255)
    return np.dstack([grey, grey * 0.9 + 10, grey * 0.8 + 20]).astype(np.uint8)


def _encoded(picture: Image.Image, form: str, **options: object) -> bytes:
    out = io.BytesIO()
    picture.save(out, form, **options)
    return out.getvalue()


def _moving_clip(frames: int = 90, width: int = 640, height: int = 480) -> bytes:
    """Speckle that drifts, 90 frames, H.264 in MP4."""
    rng = np.random.default_rng(3)
    coarse = rng.normal(0, 1, (height // 2, width)).astype(np.float32)
    speckle = np.abs(
        np.asarray(Image.fromarray(coarse).resize((width * 2, height), Image.Resampling.BICUBIC))
    )
    out = io.BytesIO()
    with av.open(out, "w", format="mp4") as target:
        stream = target.add_stream("libx264", rate=30, options={"crf": "20"})
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        for index in range(frames):
            seen = speckle[:, 2 * index : 2 * index + width]
            grey = np.clip(40 + 90 * seen + rng.normal(0, 3, (height, width)), 0, 255)
            grey[: height // 10], grey[:, : width // 10] = 0, 0
            frame = av.VideoFrame.from_ndarray(grey.astype(np.uint8), format="gray")
            target.mux(stream.encode(frame.reformat(format="yuv420p")))
        target.mux(stream.encode())
    return out.getvalue()


def _exam() -> Exam:
    now = timezone.now()
    programme = programmes.create(
        institution="bench", institution_name="Bench", code="bench", name="Bench",
        time_zone="Europe/Berlin", by=None, at=now - dt.timedelta(days=2),
    )  # fmt: skip
    trainee = people.add(
        programme=programme, name="Bench", email="bench@bench.example", role=Role.TRAINEE,
        starts_on=programme.local_date(now) - dt.timedelta(days=1), by=None, at=now, invite=False,
    ).person  # fmt: skip
    draft = {"performed_at": now.isoformat(), "applications": ["pneumothorax"]}
    return exams.save_draft(
        exam_id=uuid.uuid4(), programme=programme, draft=draft, version=None, by=trainee, at=now
    ).exam


def _arrived(exam: Exam, content: bytes) -> Capture:
    upload_id = str(uuid7())
    key, sealed, sealed_by = keeping.fresh_key(upload_id)
    mac = ArrivalMac(keeping.arrival_key())
    keeping.staging().write(upload_id, ARRIVED, mac.watch([content]), key=key)
    return captures.receive(
        capture_id=uuid.uuid4(), exam=exam, zone="R1", probe="linear", depth_mm=40, mode="b",
        arrival=Arrival(upload_id, sealed, sealed_by, len(content), mac.hexdigest(), mac.key_id),
        by=exam.trainee, at=timezone.now(),
    )  # fmt: skip
