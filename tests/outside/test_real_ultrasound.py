"""Real ultrasound files of the `pydicom-data` package: what is hidden, what is offered.

Where letters stand and the depth printed on each screen were read by eye from the pictures.
Regions: DICOM PS3.3 C.8.5.5. The files stay in the package.
"""

import io

import numpy as np
import pytest
from PIL import Image
from pydicom.data import get_testdata_file

from logbook.intake.facts import Day
from logbook.intake.runner import Finished, Runner, Stripped
from tests.logbook.intake import samples

# name -> frames, the file's own regions, letters that must be gone and tissue that must stay
# (x0, y0, x1, y1 in pixels), depth on the screen in mm.
FILES = {
    "color3d_jpeg_baseline.dcm": (
        120,
        [(84, 31, 596, 415)],
        [(0, 0, 640, 28), (0, 430, 640, 480), (598, 20, 640, 260)],
        [(180, 60, 480, 400)],
        190,
    ),
    "OBXXXX1A.dcm": (
        1,
        [(120, 60, 800, 519)],
        [(0, 0, 800, 58), (0, 60, 110, 260)],
        [(340, 70, 580, 140)],
        110,
    ),
    "gdcm-US-ALOKA-16.dcm": (
        1,
        [(32, 24, 336, 416), (336, 24, 640, 416)],
        [(0, 0, 640, 22), (0, 420, 640, 480)],
        [(60, 60, 300, 400), (360, 60, 620, 400)],
        150,
    ),
    "JPGLosslessP14SV1_1s_1f_8b.dcm": (
        1,
        [(14, 38, 1011, 759)],
        [(0, 0, 1024, 34)],
        [(300, 200, 800, 620)],
        160,
    ),
}


@pytest.fixture(scope="module")
def runner():
    one = Runner()
    yield one
    one.close()


def content_of(name):
    with open(get_testdata_file(name, download=False), "rb") as file:
        return file.read()


def picture(finished):
    content = finished.master.read()
    if finished.media_type == "video/mp4":
        return samples.frames_of(content)[0][1]
    return np.array(Image.open(io.BytesIO(content)).convert("L"))


@pytest.mark.parametrize("name", FILES)
def test_letters_outside_the_image_are_gone_and_the_image_is_there(runner, name):
    frames, regions, letters, tissue, depth = FILES[name]
    stripped = runner.strip([content_of(name)], day=Day("2026-03-04"))
    assert isinstance(stripped, Stripped), stripped
    facts = stripped.facts
    assert (facts.frames, facts.mask_from, facts.regions_clamped) == (frames, "regions", False)
    first = facts.suggestions.region
    box = [first.x0 * facts.width, first.y0 * facts.height,
           first.x1 * facts.width, first.y1 * facts.height]  # fmt: skip
    assert [round(side) for side in box] == list(regions[0])
    # A fifth: machines differ in what the region's extent stands for.
    assert abs(facts.suggestions.depth_mm - depth) / depth <= 0.2
    working = stripped.working.read()
    shown = runner.finish([working], facts=facts, mask=[])
    hidden = runner.finish([working], facts=facts, mask=facts.mask)
    assert isinstance(shown, Finished)
    assert isinstance(hidden, Finished)
    before, after = picture(shown), picture(hidden)
    for x0, y0, x1, y1 in letters:
        assert before[y0:y1, x0:x1].max() > 100, "there are letters here"
        assert after[y0:y1, x0:x1].max() <= 24, "and now there are none"
    for x0, y0, x1, y1 in tissue:
        assert np.abs(before[y0:y1, x0:x1].astype(int) - after[y0:y1, x0:x1]).mean() < 1.5
        assert after[y0:y1, x0:x1].std() > 8


@pytest.mark.parametrize(
    "name",
    ["OBXXXX1A_expb.dcm", "OBXXXX1A_expb_2frame.dcm", "OBXXXX1A_rle.dcm", "OBXXXX1A_2frame.dcm"],
)
def test_the_same_picture_in_another_order_of_bytes_or_compression(runner, name):
    """Its palette is words of 16 bits (PS3.3 C.7.6.3.1.6), which a big-endian file turns round."""

    def shown(file):
        stripped = runner.strip([content_of(file)], day=Day("2026-03-04"))
        assert isinstance(stripped, Stripped), stripped
        return picture(runner.finish([stripped.working[:]], facts=stripped.facts, mask=[]))

    assert np.abs(shown(name).astype(int) - shown("OBXXXX1A.dcm")).mean() < 1.5
    assert shown(name).max() > 200


def test_a_picture_that_was_cut_below_keeps_what_its_region_leaves(runner):
    """350 of 600 rows of the scan above; its region goes on to row 518."""
    stripped = runner.strip([content_of("examples_palette.dcm")], day=Day("2026-03-04"))
    facts = stripped.facts
    assert (facts.mask_from, facts.regions_clamped) == ("regions", False)
    hidden = picture(runner.finish([stripped.working[:]], facts=facts, mask=facts.mask))
    assert hidden[:58].max() <= 24  # the banner
    assert hidden[:, :110].max() <= 24
    assert hidden[70:140, 340:580].std() > 8  # tissue
