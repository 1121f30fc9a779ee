"""Files made to hurt: each is taken clean or refused by name, soon, and the next one is taken.

The seeded part of a larger search; N is printed. Odd files come from Pillow's and pydicom's own
wheels where they carry them.
"""

import io
import random
import struct
import time
import zlib

import pytest

from logbook.intake.facts import SENTENCES, Refusal
from logbook.intake.runner import Finished, Stripped
from tests.logbook.intake import canaries, samples

MUTANTS = 120


def seeds():
    cine = samples.dicom()
    return {
        "jpeg": samples.picture(form="JPEG"),
        "png": samples.picture(),
        "webp": samples.picture(form="WEBP"),
        "heif": samples.picture(form="HEIF"),
        "mp4": samples.clip(frames=6),
        "dicom": samples.saved(cine),
    }


def judge(runner, content):
    """Take the file through both steps; what comes back must be one or the other."""
    stripped = runner.strip([content], day=samples.DAY)
    if isinstance(stripped, Refusal):
        assert stripped.code in SENTENCES
        assert not stripped.again, stripped
        return stripped.code
    finished = runner.finish([stripped.working.read()], facts=stripped.facts, mask=[])
    assert isinstance(finished, Finished)
    return "taken"


@pytest.mark.parametrize("name", seeds())
def test_mutants(runner, name, capsys):
    draw = random.Random(f"seed of {name}")
    seed = seeds()[name]
    ends = []
    for _ in range(MUTANTS // len(seeds())):
        mutant = bytearray(seed)
        for _change in range(draw.choice([1, 3, 20])):
            match draw.randrange(4):
                case 0:
                    mutant[draw.randrange(len(mutant))] = draw.randrange(256)
                case 1:
                    at = draw.randrange(min(len(mutant), 600))
                    mutant[at : at + 4] = struct.pack(">I", draw.choice([0, 2**31 - 1, 2**32 - 1]))
                case 2:
                    at = draw.randrange(len(mutant))
                    del mutant[at : at + draw.randrange(1, 200)]
                case 3:
                    at = draw.randrange(len(mutant))
                    mutant[at:at] = bytes(mutant[at : at + draw.randrange(1, 200)])
            mutant = mutant or bytearray(b"\0")
        began = time.monotonic()
        ends.append(judge(runner, bytes(mutant)))
        assert time.monotonic() - began < 20
    assert isinstance(runner.strip([seed], day=samples.DAY), Stripped)
    with capsys.disabled():
        print(f"\n{name}: {len(ends)} mutants, {ends.count('taken')} taken clean, rest refused")


@pytest.mark.parametrize("name", seeds())
def test_truncations_at_every_tenth(runner, name):
    seed = seeds()[name]
    ends = [judge(runner, seed[: len(seed) * share // 10]) for share in range(10)]
    assert ends[0] == "empty"
    # A progressive decoder may show a whole picture before its file's last bytes; clips may not.
    if name in ("mp4", "dicom", "png", "jpeg"):
        assert "taken" not in ends


def test_polyglots_lose_their_other_face(runner):
    plant = canaries.Planter()
    script = b"<html><script>" + plant.raw("script") + b"</script></html>"
    jpeg = samples.picture(form="JPEG", comment=script) + script
    zipped = b"PK\x03\x04" + plant.raw("zip") + b"PK\x05\x06" + b"\0" * 18
    program = samples.dicom(samples.pattern()[None])
    program.NumberOfFrames = 1
    program.preamble = (b"MZ" + plant.raw("program")).ljust(128, b"\0")
    for content in (jpeg, samples.clip() + zipped, samples.saved(program)):
        assert canaries.found_in(content)
        stripped = runner.strip([content], day=samples.DAY)
        assert isinstance(stripped, Stripped), stripped
        working = stripped.working.read()
        finished = runner.finish([working], facts=stripped.facts, mask=[])
        for kept in (working, stripped.poster, finished.master[:], finished.poster):
            assert canaries.found_in(kept) == set()
            assert b"<script" not in kept
            assert b"PK\x05\x06" not in kept


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
    ],
    ids=["pixel flood", "largest sides", "frames", "354 gigabytes", "endless cine", "deflated"],
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
