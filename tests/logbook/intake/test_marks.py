"""What is drawn again beside the image: inside what was covered, and at the right distance."""

import dataclasses
import io

import numpy as np
import pytest
from PIL import Image

from logbook.intake import marks, masks
from logbook.intake.facts import Facts, Rectangle, Suggestions
from logbook.intake.marks import Marks
from logbook.intake.runner import Finished, Stripped
from tests.logbook.intake import samples

REGION = Rectangle(0.125, 0.1, 0.75, 0.9)  # 80..480 by 48..432 of 640 by 480
OUTSIDE = [masks.normalise(box, 640, 480) for box in masks.outside([(80, 48, 480, 432)], 640, 480)]
FACTS = Facts(
    kind="still", width=640, height=480, frames=1, duration_ms=0, ticks_per_second=1, times=[],
    times_known=False, mask=OUTSIDE, mask_from="regions", regions_clamped=False,
    suggestions=Suggestions(depth_mm=120, pixel_mm=0.3125, region=REGION, zero_at=0.1),
    file_date="absent", lossless=True, source="dicom",
)  # fmt: skip


def rows_of_ticks(drawn, at):
    return sorted({box[1] for box in drawn if box[0] == at and box[2] - box[0] >= 3})


def test_a_tick_each_centimetre_from_where_depth_begins():
    drawn = marks.boxes(Marks(ruler=True), FACTS, OUTSIDE)
    # 10 mm are 32 pixels; 384 rows hold twelve centimetres, both ends drawn.
    assert rows_of_ticks(drawn, 481) == [48 + 32 * cm for cm in range(13)]
    long = [box for box in drawn if box[0] == 481 and box[2] - box[0] == 6]
    assert [box[1] for box in long] == [48, 48 + 160, 48 + 320]


def test_depth_begins_at_the_reference_line_where_the_file_names_one():
    moved = dataclasses.replace(
        FACTS, suggestions=dataclasses.replace(FACTS.suggestions, zero_at=80 / 480)
    )
    drawn = marks.boxes(Marks(ruler=True), moved, OUTSIDE)
    assert rows_of_ticks(drawn, 481)[0] == 80


def test_nothing_is_drawn_on_what_is_not_covered():
    for mask in ([], [Rectangle(0, 0, 1, 0.1)], OUTSIDE):
        covered = np.zeros((480, 640), bool)
        for one in mask:
            x0, y0, x1, y1 = masks.pixels(one, 640, 480)
            covered[y0:y1, x0:x1] = True
        for x0, y0, x1, y1 in marks.boxes(Marks(ruler=True, side="left"), FACTS, mask):
            assert covered[y0:y1, x0:x1].all()
    assert marks.boxes(Marks(ruler=True, side="left"), FACTS, []) == []


@pytest.mark.parametrize(("side", "columns"), [("left", range(80, 92)), ("right", range(468, 480))])
def test_the_probes_mark_lies_at_the_corner_of_its_side(side, columns):
    drawn = marks.boxes(Marks(side=side), FACTS, OUTSIDE)
    assert drawn
    assert {x for x0, _y0, x1, _y1 in drawn for x in range(x0, x1)} <= set(columns)
    assert {y1 <= 48 for _x0, _y0, _x1, y1 in drawn} == {True}


def test_a_scale_needs_calibration_that_fits_the_picture():
    assert marks.can_measure(FACTS)
    for other in (
        dataclasses.replace(FACTS, regions_clamped=True),
        dataclasses.replace(FACTS, suggestions=Suggestions(region=REGION)),
        dataclasses.replace(FACTS, suggestions=Suggestions(pixel_mm=0.3)),
    ):
        assert not marks.can_measure(other)
        assert marks.boxes(Marks(ruler=True), other, OUTSIDE) == []


@pytest.mark.parametrize("kind", ["still", "clip"])
def test_they_are_in_what_is_kept_and_the_image_is_untouched(runner, kind):
    content = samples.clip(width=640, height=480) if kind == "clip" else samples.picture(
        samples.pattern(640, 480)
    )  # fmt: skip
    stripped = runner.strip([content], day=samples.DAY)
    assert isinstance(stripped, Stripped)
    facts = dataclasses.replace(stripped.facts, suggestions=FACTS.suggestions)
    working = stripped.working.read()

    def kept(wanted):
        finished = runner.finish([working], facts=facts, mask=OUTSIDE, marks=wanted)
        assert isinstance(finished, Finished), finished
        content = finished.master.read()
        if kind == "clip":
            return samples.frames_of(content)[0][1].astype(int)
        return np.array(Image.open(io.BytesIO(content)).convert("L")).astype(int)

    plain, drawn = kept(None), kept(Marks(ruler=True, side="right"))
    assert np.abs(drawn - plain)[48:432, 80:480].mean() < 0.6
    row = 48 + 160
    assert drawn[row, 481:487].min() > 120
    assert plain[row, 481:487].max() < 40
