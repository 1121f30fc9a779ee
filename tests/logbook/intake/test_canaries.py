"""No string planted in a file comes out of the intake, neither in what waits nor in what is kept.

DICOM attributes: PS3.15 Table E.1-1 (edition named in `annex_e.EDITION`), every row, at the top
level and at three depths of sequence, with private attributes, curves, overlays, file meta,
preamble and the encapsulated frames' own comment segments.
"""

import json
import zlib

import pytest

from logbook.intake import annex_e
from logbook.intake.runner import Finished, Stripped
from tests.logbook.intake import canaries, samples

MAKERS = {
    "jpeg": (canaries.jpeg, 28),
    "png": (canaries.png, 18),
    "webp": (canaries.webp, 15),
    "heif": (canaries.heif, 14),
    "mp4": (canaries.mp4, 40),
    "mov": (canaries.mov_without_type, 2),
    "gif": (canaries.gif, 4),
    "moving png": (canaries.moving_png, 14),
    "tiff": (canaries.tiff, 15),
    "avif": (canaries.avif, 14),
    "matroska": (lambda plant: canaries.with_more_streams(plant, "matroska"), 22),
    "avi": (lambda plant: canaries.with_more_streams(plant, "avi"), 7),
    "dicom with a clip": (canaries.dicom_with_clip, 4),
    "dicom still": (lambda plant: canaries.dicom(plant, cine=False), 4 * 600),
    "dicom cine": (lambda plant: canaries.dicom(plant, cine=True), 4 * 600),
}


def everything_that_comes_out(runner, content):
    stripped = runner.strip([content], day=samples.DAY)
    assert isinstance(stripped, Stripped), stripped
    working = stripped.working.read()
    finished = runner.finish([working], facts=stripped.facts, mask=stripped.facts.mask)
    assert isinstance(finished, Finished), finished
    return {
        "facts": json.dumps(stripped.facts.as_json()).encode(),
        "working": working,
        "preview": stripped.poster,
        "master": finished.master.read(),
        "poster": finished.poster,
    }


@pytest.mark.parametrize("name", MAKERS)
def test_nothing_planted_comes_out(runner, name, capsys):
    make, at_least = MAKERS[name]
    plant = canaries.Planter()
    content = make(plant)
    # Only what is really in the file proves anything by being absent afterwards.
    planted = canaries.found_in(content) & set(plant.slots)
    missing = sorted(plant.slots[word] for word in set(plant.slots) - planted)
    assert missing == []
    assert len(planted) >= at_least
    out = everything_that_comes_out(runner, content)
    hits = {
        part: sorted(map(plant.slots.get, canaries.found_in(data))) for part, data in out.items()
    }
    assert hits == {part: [] for part in out}
    with capsys.disabled():
        print(f"\n{name}: {len(planted)} canaries planted, 0 found in {len(out)} objects")


def test_every_row_of_the_table_is_planted_in_the_dicom_files():
    plant = canaries.Planter()
    canaries.dicom(plant, cine=False)
    where = {slot for slot in plant.slots.values() if slot.startswith("DICOM (")}
    for row in annex_e.table():
        if row.number is not None and row.number >> 16 != 2:
            assert any(slot.lower().startswith(f"dicom {row.tag.lower()}") for slot in where), (
                row.tag
            )


def test_the_search_sees_what_it_should():
    word = canaries.WORD.format(7)
    for hidden in (
        word.encode(),
        word.encode("utf-16-le"),
        word.encode("utf-16-be"),
        b"junk" + zlib.compress(b"before " + word.encode() + b" after"),
    ):
        assert canaries.found_in(b"\0\1" + hidden + b"\2") == {word}
    assert canaries.found_in(b"Qzx0000Kvw") == set()


def test_the_name_of_a_person_in_a_date_or_a_refusal_goes_nowhere(runner):
    plant = canaries.Planter()
    data = samples.dicom()
    data[0x00080060] = canaries.raw(0x00080060, plant, "modality", "CS")
    refusal = runner.strip([samples.saved(data)], day=samples.DAY)
    assert canaries.found_in(repr(refusal).encode()) == set()
