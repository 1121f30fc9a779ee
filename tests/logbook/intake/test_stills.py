import io

import numpy as np
import pytest
from PIL import Image

from logbook.intake.facts import Facts, Limits, Rectangle, Refusal
from logbook.intake.runner import Finished, Runner, Stripped
from tests.logbook.intake import samples

TOP = Rectangle(0, 0, 1, 0.1)


def take(runner, content, mask=(TOP,)):
    """Both steps; returns the facts and the finished picture's pixels."""
    stripped = runner.strip([content], day=samples.DAY)
    assert isinstance(stripped, Stripped), stripped
    finished = runner.finish([stripped.working.read()], facts=stripped.facts, mask=mask)
    assert isinstance(finished, Finished), finished
    with Image.open(finished.master) as picture:
        return stripped.facts, np.array(picture), finished


@pytest.mark.parametrize("form", ["PNG", "JPEG", "WEBP", "HEIF", "AVIF"])
def test_a_picture_goes_in_and_its_pixels_come_out(runner, form):
    pixels = samples.colour()
    options = {} if form == "PNG" else {"quality": 95}
    facts, kept, _finished = take(runner, samples.picture(pixels, form, **options))
    assert (facts.kind, facts.width, facts.height, facts.frames) == ("still", 160, 120, 1)
    assert facts.source == form.lower()
    assert kept.shape == (120, 160, 3)
    assert kept[:12].max() <= 8  # covered; JPEG lets the edge ring a little
    difference = np.abs(kept[16:].astype(int) - pixels[16:])
    assert difference.max() == 0 if form == "PNG" else difference.mean() < 4


def test_a_picture_without_loss_stays_without_loss(runner):
    pixels = samples.pattern()
    _facts, kept, finished = take(runner, samples.picture(pixels), mask=[])
    assert finished.media_type == "image/png"
    assert (kept == pixels).all()


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_picture_is_turned_as_its_camera_says(runner, orientation):
    """Exif 2.32, tag 0x0112: which corner row 0 and column 0 stand for."""
    upright = samples.pattern(120, 80)
    turned = {
        1: upright,
        2: upright[:, ::-1],
        3: upright[::-1, ::-1],
        4: upright[::-1],
        5: upright.T,
        6: np.rot90(upright),
        7: np.rot90(upright.T, 2),
        8: np.rot90(upright, 3),
    }[orientation]
    exif = Image.Exif()
    exif[0x0112] = orientation
    content = samples.picture(np.ascontiguousarray(turned), "PNG", exif=exif)
    facts, kept, _finished = take(runner, content, mask=[])
    assert (facts.width, facts.height) == (120, 80)
    assert (kept == upright).all()


def test_odd_modes_become_plain_ones(runner):
    deep = (samples.pattern().astype(np.uint16) << 8) + 77
    out = io.BytesIO()
    Image.fromarray(deep).save(out, "PNG")
    assert (take(runner, out.getvalue(), mask=[])[1] == samples.pattern()).all()

    out = io.BytesIO()
    Image.fromarray(samples.colour()).convert("CMYK").save(out, "JPEG", quality=95)
    assert take(runner, out.getvalue())[1].shape == (120, 160, 3)

    out = io.BytesIO()
    Image.fromarray(samples.colour()).quantize(200).save(out, "PNG")
    assert take(runner, out.getvalue())[1].shape == (120, 160, 3)

    clear = np.dstack([samples.colour(), np.zeros((120, 160), np.uint8)])
    assert take(runner, samples.picture(clear), mask=[])[1].max() == 0


def test_what_the_file_says_of_its_day_is_compared_and_forgotten(runner):
    for text, wanted in (
        ("2026:03:04 10:00:00", "agrees"),
        ("2026:03:05 10:00:00", "differs"),
        ("nonsense", "absent"),
        ("2026:13:45 10:00:00", "absent"),
    ):
        exif = Image.Exif()
        exif[0x8769] = {0x9003: text}
        facts = runner.strip([samples.picture(exif=exif)], day=samples.DAY).facts
        assert facts.file_date == wanted
    assert runner.strip([samples.picture()], day=samples.DAY).facts.file_date == "absent"


def test_bands_are_suggested_where_the_file_names_no_region(runner):
    facts = runner.strip([samples.picture()], day=samples.DAY).facts
    assert (facts.mask_from, len(facts.mask)) == ("bands", 2)
    assert Facts.from_json(facts.as_json()) == facts


def test_a_picture_too_large_is_refused_from_its_header():
    strict = Runner(limits=Limits(still_pixels=10_000))
    try:
        refusal = strict.strip([samples.picture()], day=samples.DAY)
        assert refusal == Refusal("too_many_pixels", {"width": 160, "height": 120})
        assert "160 by 120" in refusal.sentence
    finally:
        strict.close()


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "empty"),
        (b"GIF89a", "damaged"),
        (b"BM" + bytes(100), "not_known"),
        (b"%PDF-1.7 and so on", "not_known"),
        (b"\xff\xd8\xff", "damaged"),
        (b"\x89PNG\r\n\x1a\n", "damaged"),
        (b"RIFF\x10\0\0\0WEBPVP8 ", "damaged"),
        (samples.picture(samples.pattern(20, 20)), "too_small"),
        (samples.picture()[:-2000], "damaged"),
        (samples.picture(form="JPEG")[:-200], "damaged"),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)
def test_what_cannot_be_read_is_refused_by_name(runner, content, code):
    refusal = runner.strip([content], day=samples.DAY)
    assert isinstance(refusal, Refusal)
    assert refusal.code == code
    assert refusal.again is False


def test_rectangles_that_leave_nothing_are_refused(runner):
    stripped = runner.strip([samples.picture()], day=samples.DAY)
    working = stripped.working.read()
    everything = [Rectangle(0, 0, 0.5, 1), Rectangle(0.5, 0, 1, 1)]
    assert runner.finish([working], facts=stripped.facts, mask=everything).code == "all_covered"
    assert isinstance(runner.finish([working], facts=stripped.facts, mask=[]), Finished)
