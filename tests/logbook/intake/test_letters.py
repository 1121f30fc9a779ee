"""The second child program: letters in a picture of our own making, behind the same walls."""

import io

import pytest
from PIL import Image, ImageDraw, ImageFont

from logbook import keeping
from logbook.intake.runner import Runner

pytest.importorskip("rapidocr", reason="the `ocr` extra is not installed")


@pytest.fixture(scope="module")
def reader():
    one = Runner(program="logbook.intake.letters", budget=keeping.LETTERS_BUDGET, at_once=1)
    yield one
    one.close()


def jpeg(*texts):
    paper = Image.new("RGB", (640, 480), (4, 4, 4))
    draw = ImageDraw.Draw(paper)
    for at, text in texts:
        draw.text(at, text, fill=(230, 230, 230), font=ImageFont.load_default(18))
    out = io.BytesIO()
    paper.save(out, "JPEG", quality=88)
    return out.getvalue()


def test_letters_are_found_where_they_stand_and_a_scales_numbers_are_not(reader):
    found = reader.find_letters(jpeg(((40, 60), "FENN ADA 1984"), ((600, 200), "5")))
    assert len(found) == 1
    box = found[0]
    assert box.x0 * 640 < 60 < 150 < box.x1 * 640
    assert box.y0 * 480 < 70 < box.y1 * 480
    assert reader.find_letters(jpeg()) == []


def test_the_same_walls_stand_around_it(reader):
    walls = reader.walls()
    walls.pop("own_network")
    assert {name for name, stands in walls.items() if not stands} == set()


def test_what_is_no_picture_is_a_refusal_and_the_next_one_works(reader):
    assert reader.find_letters(b"not a picture").code == "damaged"
    assert len(reader.find_letters(jpeg(((40, 60), "NORTHFIELD")))) == 1


def test_it_is_off_where_the_setting_says_so(settings):
    keeping.letters.cache_clear()
    settings.LETTERS = False
    assert keeping.letters() is None
    assert keeping.letters_in(b"anything") is None
    keeping.letters.cache_clear()
