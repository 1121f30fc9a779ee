"""Files made to hurt: each is taken clean or refused by name, soon, and the next one is taken.

The seeded part of a larger search; N is printed. Odd files come from Pillow's and pydicom's own
wheels where they carry them.
"""

import io
import random
import struct
import time
import zlib
from fractions import Fraction
from functools import cache
from pathlib import Path

import av
import numpy as np
import PIL
import pydicom
import pytest
from PIL import Image
from pydicom.encaps import encapsulate
from pydicom.uid import JPEGBaseline8Bit, RLELossless

from logbook.intake import coded
from logbook.intake.facts import SENTENCES, Refusal
from logbook.intake.runner import Finished, Runner, Stripped, pieces
from tests.logbook.intake import canaries, samples

MUTANTS = 20_000
ODD_ENDINGS = {".dcm", ".jpg", ".png", ".gif", ".tif", ".tiff", ".webp", ".heic", ".avif", ""}
SOON = 2.0  # seconds


@cache
def seeds():
    """One small file of each kind, with time and without."""
    jpegs = [samples.picture(samples.colour(seed=i), "JPEG", quality=90) for i in range(3)]
    cine = samples.dicom(np.stack([samples.colour()] * 3), photometric="YBR_FULL_422")
    cine.PixelData, cine.file_meta.TransferSyntaxUID = encapsulate(jpegs), JPEGBaseline8Bit
    cine["PixelData"].is_undefined_length = True
    packed = samples.dicom()
    packed.compress(RLELossless, generate_instance_uid=False)
    moving = [Image.fromarray(samples.numbered(i)) for i in range(3)]
    found = {
        "jpeg": jpegs[0],
        "png": samples.picture(),
        "webp": samples.picture(form="WEBP"),
        "heif": samples.picture(form="HEIF"),
        "avif": samples.picture(form="AVIF"),
        "tiff": samples.picture(form="TIFF", compression="tiff_lzw"),
        "mp4": samples.clip(frames=6),
        "long mp4": samples.clip(frames=coded.LOOKED_AT + 8, width=64, height=48),
        "hevc": samples.clip(
            frames=6, codec="libx265", form="mov", options={"x265-params": "log-level=none"}
        ),
        "webm": samples.clip(frames=6, codec="libvpx-vp9", form="webm", options={"b": "0"}),
        "avi": samples.clip(frames=6, codec="mjpeg", form="avi", options={}, pix_fmt="yuvj420p"),
        "dicom": samples.saved(samples.dicom()),
        "dicom jpeg": samples.saved(cine),
        "dicom rle": samples.saved(packed),
    }
    for form in ("GIF", "PNG", "WEBP"):
        out = io.BytesIO()
        moving[0].save(out, form, save_all=True, append_images=moving[1:], duration=40)
        found[f"moving {form.lower()}"] = out.getvalue()
    return found


@pytest.fixture
def spent(monkeypatch):
    """Seconds that each step took."""
    seconds = []
    ask = Runner._run

    def timed(self, request, files):
        began = time.monotonic()
        try:
            return ask(self, request, files)
        finally:
            seconds.append(time.monotonic() - began)

    monkeypatch.setattr(Runner, "_run", timed)
    return seconds


def judge(runner, content):
    """Take the file through both steps; what comes back must be one or the other.

    Of a long clip the frames beyond those that are looked at first are judged by the second step.
    """
    stripped = runner.strip([content], day=samples.DAY)
    if isinstance(stripped, Refusal):
        return refused(stripped)
    finished = runner.finish(pieces(stripped.working), facts=stripped.facts, mask=[])
    if isinstance(finished, Refusal) and stripped.working[: len(coded.MARK)] == coded.MARK:
        return refused(finished)
    assert isinstance(finished, Finished), finished
    return "taken"


def refused(refusal):
    assert refusal.code in SENTENCES
    assert not refusal.again, refusal
    assert refusal.sentence.endswith(".")
    return refusal.code


def mutant_of(seed, draw):
    """A few changes: a byte, a length, a piece gone, a piece twice."""
    mutant = bytearray(seed)
    for _change in range(draw.choice([1, 3, 20])):
        at = draw.randrange(len(mutant))
        match draw.randrange(4):
            case 0:
                mutant[at] = draw.randrange(256)
            case 1:
                at = draw.randrange(min(len(mutant), 600))
                mutant[at : at + 4] = struct.pack(">I", draw.choice([0, 2**31 - 1, 2**32 - 1]))
            case 2:
                del mutant[at : at + draw.randrange(1, 200)]
            case 3:
                mutant[at:at] = bytes(mutant[at : at + draw.randrange(1, 200)])
        mutant = mutant or bytearray(b"\0")
    return bytes(mutant)


@pytest.mark.parametrize("name", seeds())
def test_mutants(runner, name, scale, spent, capsys):
    draw = random.Random(f"seed of {name}")
    seed = seeds()[name]
    ends = [judge(runner, mutant_of(seed, draw)) for _ in range(scale(MUTANTS // len(seeds())))]
    assert max(spent) < SOON
    assert isinstance(runner.strip([seed], day=samples.DAY), Stripped)
    with capsys.disabled():
        print(f"\n{name}: {len(ends)} mutants, {ends.count('taken')} taken clean, rest refused")


@pytest.mark.parametrize("name", seeds())
def test_truncations_at_every_tenth(runner, name):
    seed = seeds()[name]
    ends = [judge(runner, seed[: len(seed) * share // 10]) for share in range(10)]
    assert ends[0] == "empty"
    # A decoder may show a whole picture before its file's last bytes; a clip's is counted.
    if name in ("jpeg", "png", "tiff", "mp4", "hevc", "webm", "avi") or name.startswith("dicom"):
        assert "taken" not in ends


ODD = [
    path
    for package in (PIL, pydicom)
    for path in sorted(Path(package.__file__).parent.rglob("*"))
    if path.is_file() and path.suffix.lower() in ODD_ENDINGS and path.stat().st_size < 3_000_000
]


def test_odd_files_of_the_libraries_own(runner, scale, spent, capsys):
    """What Pillow and pydicom carry for their own tests, in their packages and in pydicom-data."""
    files = [*ODD, *further_files()]
    few = random.Random(1).sample(files, max(scale(len(files)), min(len(files), 40)))
    ends = [judge(runner, path.read_bytes()) for path in few]
    assert max(spent) < SOON * 5
    with capsys.disabled():
        print(f"\n{len(ends)} of {len(files)} odd files, {ends.count('taken')} taken clean")


def further_files():
    """The files of the package `pydicom-data`, where it is installed; nothing is fetched."""
    try:
        import data_store
    except ImportError:
        return []
    folder = Path(next(iter(data_store.__path__)))
    return [p for p in sorted(folder.rglob("*.dcm")) if p.stat().st_size < 3_000_000]


def test_polyglots_lose_their_other_face(runner):
    plant = canaries.Planter()
    script = b"<html><script>" + plant.raw("script") + b"</script></html>"
    jpeg = samples.picture(form="JPEG", comment=script) + script
    moving = [Image.fromarray(samples.numbered(i)) for i in range(2)]
    gif = io.BytesIO()
    moving[0].save(gif, "GIF", save_all=True, append_images=moving[1:], duration=40)
    program_text = gif.getvalue()[:-1] + b"\x21\xfe" + sized(b"*/=1;" + plant.raw("js") + b"//")
    zipped = b"PK\x03\x04" + plant.raw("zip") + b"PK\x05\x06" + b"\0" * 18
    program = samples.dicom(samples.pattern()[None])
    program.NumberOfFrames = 1
    program.preamble = (b"MZ" + plant.raw("program")).ljust(128, b"\0")
    for content in (jpeg, program_text, samples.clip() + zipped, samples.saved(program)):
        assert canaries.found_in(content)
        stripped = runner.strip([content], day=samples.DAY)
        assert isinstance(stripped, Stripped), stripped
        working = stripped.working.read()
        finished = runner.finish([working], facts=stripped.facts, mask=[])
        for kept in (working, stripped.poster, finished.master[:], finished.poster):
            assert canaries.found_in(kept) == set()
            assert b"<script" not in kept
            assert b"PK\x05\x06" not in kept


def sized(said):
    """A GIF's own block of text, to the file's end."""
    return bytes([len(said)]) + said + b"\0\x3b"


def many_gif_frames(count):
    """A picture and `count` times the same again, each of a few bytes."""
    out = io.BytesIO()
    Image.fromarray(samples.numbered(0)).resize((32, 32)).save(out, "GIF", save_all=True)
    whole = out.getvalue()
    start = whole.index(b"\x2c\0\0\0\0\x20\0\x20\0")
    return whole[:-1] + whole[start:-1] * (count - 1) + b"\x3b"


def an_hour(width, height):
    """Two frames, the second of which is shown an hour after the first."""
    out = io.BytesIO()
    with av.open(out, "w", format="mp4") as target:
        stream = target.add_stream("mpeg4", rate=25)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.codec_context.time_base = stream.time_base = Fraction(1, 1000)
        for start in (0, 3_600_000):
            frame = av.VideoFrame.from_ndarray(np.zeros((height, width, 3), np.uint8))
            frame.pts, frame.time_base = start, Fraction(1, 1000)
            target.mux(stream.encode(frame))
        target.mux(stream.encode())
    return out.getvalue()


def lying_jpeg():
    """Its frame header says 65,500 by 65,500 (ITU-T T.81, B.2.2)."""
    content = bytearray(samples.picture(form="JPEG"))
    at = content.index(b"\xff\xc0")
    struct.pack_into(">HH", content, at + 5, 65_500, 65_500)
    return bytes(content)


def lying_gif():
    content = bytearray(many_gif_frames(1))
    struct.pack_into("<HH", content, 6, 65_535, 65_535)
    return bytes(content)


def png_header(width, height):
    def chunk(kind, payload):
        check = zlib.crc32(kind + payload)
        return struct.pack(">I", len(payload)) + kind + payload + struct.pack(">I", check)

    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
        + chunk(b"IDAT", zlib.compress(b"\0" * 10_000_000, 9))
        + chunk(b"IEND", b"")
    )


def many_frames_of_one_pixel_block():
    return samples.clip(frames=4000, width=32, height=32, codec="mpeg4", options={})


def lying_dicom(**header):
    return samples.saved(samples.dicom(**header))


def zipped_bomb():
    """A deflated data set whose private value unpacks to a gigabyte."""
    data = samples.dicom()
    data.file_meta.TransferSyntaxUID = "1.2.840.10008.1.2.1.99"
    small = samples.saved(data)
    head_end = small.index(b"1.2.840.10008.1.2.1.99") + 22
    packer = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    out = io.BytesIO()
    out.write(small[:head_end])
    out.write(packer.compress(struct.pack("<HH2sHI", 0x0009, 0x1001, b"OB", 0, 1 << 30)))
    for _ in range(1024):
        out.write(packer.compress(bytes(1 << 20)))
    out.write(packer.flush())
    return out.getvalue()


@pytest.mark.parametrize(
    ("make", "codes"),
    [
        (lambda: png_header(60_000, 60_000), {"too_many_pixels"}),
        (lambda: png_header(2**31 - 1, 2**31 - 1), {"too_many_pixels", "damaged"}),
        (many_frames_of_one_pixel_block, {"too_long"}),
        (lambda: lying_dicom(Rows=65535, Columns=65535, NumberOfFrames=30), {"too_many_pixels"}),
        (lambda: lying_dicom(NumberOfFrames=2**31 - 1), {"too_long"}),
        (zipped_bomb, {"too_heavy", "damaged"}),
        (lambda: many_gif_frames(10_000), {"too_long"}),
        (lambda: an_hour(32, 32), {"too_long"}),
        (lambda: an_hour(2, 2), {"too_small"}),
        (lying_jpeg, {"too_many_pixels"}),
        (lying_gif, {"too_many_pixels"}),
    ],
    ids=[
        "pixel flood",
        "largest sides",
        "frames",
        "354 gigabytes",
        "endless cine",
        "deflated",
        "10,000 pictures",
        "an hour",
        "an hour of a dot",
        "lying JPEG",
        "lying GIF",
    ],
)
def test_bombs_are_refused_soon(runner, make, codes):
    content = make()
    began = time.monotonic()
    refusal = runner.strip([content], day=samples.DAY)
    taken = time.monotonic() - began
    assert isinstance(refusal, Refusal)
    assert refusal.code in codes
    assert taken < 2
    assert isinstance(runner.strip([samples.picture()], day=samples.DAY), Stripped)
