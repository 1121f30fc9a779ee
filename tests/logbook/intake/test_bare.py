"""What the service writes is bare; what others write is not, and the walk says where."""

import io

import pytest
from PIL import Image, PngImagePlugin

from logbook.intake import bare
from logbook.intake.runner import Finished, Runner, Stripped
from tests.logbook.intake import canaries, samples


def saved(form, **more):
    out = io.BytesIO()
    Image.new("RGB", (64, 48), (90, 80, 70)).save(out, form, **more)
    return out.getvalue()


def with_text():
    info = PngImagePlugin.PngInfo()
    info.add_text("Comment", "somebody")
    return saved("PNG", pnginfo=info)


@pytest.mark.parametrize(
    "content", [samples.picture(), samples.picture(form="JPEG"), samples.clip()],
    ids=["png", "jpeg", "mp4"],
)  # fmt: skip
def test_what_the_intake_writes_is_bare(runner, content):
    stripped = runner.strip([content], day=samples.DAY)
    assert isinstance(stripped, Stripped)
    finished = runner.finish(
        [stripped.working.read()], facts=stripped.facts, mask=stripped.facts.mask
    )
    assert isinstance(finished, Finished)
    assert bare.strange(finished.master.read()) == ""
    assert bare.strange(finished.poster) == ""


def test_a_clip_kept_as_vp9_is_bare_and_one_with_a_title_is_not():
    one = Runner(codec="vp9")
    try:
        stripped = one.strip([samples.clip()], day=samples.DAY)
        kept = one.finish([stripped.working.read()], facts=stripped.facts, mask=stripped.facts.mask)
    finally:
        one.close()
    content = kept.master.read()
    assert bare.strange(content) == ""
    assert bare.strange(content + b"trailing") != ""
    titled = samples.clip(codec="libvpx-vp9", form="webm", metadata={"title": "somebody"},
                          options={"crf": "40", "b": "0"})  # fmt: skip
    assert bare.strange(titled) == "tags"


@pytest.mark.parametrize(
    ("content", "word"),
    [
        (saved("JPEG", comment=b"somebody"), "segment FE"),
        (saved("JPEG", exif=b"Exif\0\0II*\0\x08\0\0\0\0\0"), "segment E1"),
        (saved("JPEG", icc_profile=b"x" * 200), "segment E2"),
        (saved("JPEG") + b"trailing", "bytes after the end"),
        (saved("JPEG")[:-2], "no end"),
        (with_text(), "chunk tEXt"),
        (saved("PNG") + b"trailing", "bytes after the end"),
        (b"<html>", "unknown kind"),
        (b"\xff\xd8\xff", "broken structure"),
        (b"\1" * 128 + b"DICM", "a preamble"),
        (b"\0" * 128 + b"DICM", "not marked as cleaned"),
    ],
)
def test_what_others_write_is_named(content, word):
    assert bare.strange(content) == word


def test_a_clip_with_anything_beside_its_pictures_is_named():
    assert bare.strange(canaries.mp4(canaries.Planter())) != ""
    assert bare.strange(canaries.mov_without_type(canaries.Planter())) != ""


def test_a_webm_master_is_bare_and_one_of_somebody_else_is_not():
    webm = Runner(codec="vp9")
    try:
        stripped = webm.strip([samples.clip(frames=30)], day=samples.DAY)
        finished = webm.finish([stripped.working.read()], facts=stripped.facts, mask=[])
    finally:
        webm.close()
    master = finished.master.read()
    assert bare.strange(master) == ""
    assert bare.strange(master + b"trailing") != ""
    titled = samples.clip(codec="libvpx-vp9", form="webm", options={}, metadata={"title": "Ada"})
    assert bare.strange(titled) != ""
    plant = canaries.Planter()
    assert bare.strange(canaries.with_more_streams(plant, "matroska")) != ""
