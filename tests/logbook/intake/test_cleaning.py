"""DICOM for the teaching set, after DICOM PS3.15 Annex E.

Every row of Table E.1-1 (edition named in `annex_e.EDITION`), in four places: at the top, in an
ultrasound region, and one and two sequences deeper; the rows of group 0002 in the file meta. The
codes of the method: DICOM PS3.16 CID 7050, as pydicom carries it.
"""

import io
from collections import Counter

import numpy as np
import pydicom
import pytest
from pydicom import examples
from pydicom.data import get_testdata_file
from pydicom.datadict import dictionary_VR
from pydicom.dataset import Dataset
from pydicom.sr.codedict import codes
from pydicom.uid import ExplicitVRLittleEndian, JPEGLSLossless

from logbook.intake import annex_e, bare, cleaning, dicom
from logbook.intake.facts import Limits, Rectangle, Refusal
from logbook.intake.runner import Cleaned, Stripped
from tests.logbook.intake import canaries, samples

MASK = [Rectangle(0, 0, 1, 0.1), Rectangle(0.5, 0.5, 0.75, 0.75)]
PLACES = {
    "top level": lambda data: data,
    "in a region": lambda data: data.SequenceOfUltrasoundRegions[0],
    "one deeper": lambda data: data.SequenceOfUltrasoundRegions[0][canaries.UNLISTED][0],
    "two deeper": lambda data: data.SequenceOfUltrasoundRegions[0][canaries.UNLISTED][0][
        canaries.UNLISTED
    ][0],
}
WRITTEN = {0x00120063}  # the method, which the cleaning itself says


def named(uid):
    return f"2.25.{int.from_bytes(uid.encode()[:15].ljust(15, b'.'), 'big')}"


def clean(runner, content, mask=MASK):
    stripped = runner.strip([content], day=samples.DAY)
    assert isinstance(stripped, Stripped), stripped
    done = runner.clean([content], facts=stripped.facts, mask=mask, rename=named)
    assert isinstance(done, Cleaned), done
    content = done.content.read()
    return pydicom.dcmread(io.BytesIO(content)), content


@pytest.fixture(scope="module")
def planted():
    plant = canaries.Planter()
    return plant, canaries.dicom(plant, cine=True)


@pytest.fixture(scope="module")
def cleaned(runner, planted):
    return clean(runner, planted[1])


def expected(row):
    if row.number >> 16 == 0:
        return cleaning.REMOVE  # command elements (PS3.7) have no place in a file at all
    return cleaning.ACTIONS[row.basic]


@pytest.mark.parametrize("place", PLACES)
def test_every_row_of_the_table_in_each_of_four_places(planted, cleaned, place, capsys):
    before = PLACES[place](pydicom.dcmread(io.BytesIO(planted[1])))
    after = PLACES[place](cleaned[0])
    rows = [r for r in annex_e.table() if r.number is not None and r.number >> 16 != 2]
    wrong, tried = [], Counter()
    for row in rows:
        if row.number in WRITTEN and place == "top level":
            continue
        assert row.number in before, f"{row.tag} was planted"
        action = expected(row)
        tried[action] += 1
        element = after.get(row.number)
        if action == cleaning.REMOVE:
            ok = element is None
        elif action == cleaning.EMPTY:
            ok = element is not None and not element.value
        elif action == cleaning.REPLACE:
            ok = element is not None and element.value == named(str(before[row.number].value))
        else:
            ok = element is not None and is_dummy(element)
        if not ok:
            wrong.append((row.tag, row.basic, element))
    assert wrong == []
    with capsys.disabled():
        print(f"\n{place}: {sum(tried.values())} rows, {dict(tried)}")
    assert sum(tried.values()) >= 610


def is_dummy(element):
    if element.VR == "SQ":
        return list(element.value) == [Dataset()]
    wanted = cleaning._dummy(dictionary_VR(element.tag).split(" or ")[0])
    return str(element.value) == str(wanted)


def test_families_private_groups_file_meta_preamble_and_comments_are_gone(planted, cleaned):
    data, content = cleaned
    for place in PLACES.values():
        groups = {element.tag.group for element in place(data)}
        assert not [g for g in groups if g % 2 or g < 4 or g >> 8 in (0x50, 0x60)]
    assert content[:128] == b"\0" * 128
    assert {element.keyword for element in data.file_meta} == {
        "FileMetaInformationGroupLength",
        "FileMetaInformationVersion",
        "MediaStorageSOPClassUID",
        "MediaStorageSOPInstanceUID",
        "TransferSyntaxUID",
        "ImplementationClassUID",
        "ImplementationVersionName",
    }
    assert data.file_meta.MediaStorageSOPInstanceUID == data.SOPInstanceUID
    assert len(canaries.found_in(planted[1])) > 2400
    assert canaries.found_in(content) == set()
    assert bare.strange(content) == ""


def test_what_was_done_is_recorded_in_the_standards_codes(cleaned):
    data = cleaned[0]
    assert (data.PatientIdentityRemoved, data.BurnedInAnnotation) == ("YES", "NO")
    known = {
        codes.cid7050.BasicApplicationConfidentialityProfile,
        codes.cid7050.CleanPixelDataOption,
        codes.cid7050.CleanGraphicsOption,
        codes.cid7050.CleanDescriptorsOption,
    }
    assert {
        (c.CodeValue, c.CodingSchemeDesignator, c.CodeMeaning)
        for c in data.DeidentificationMethodCodeSequence
    } == {(c.value, c.scheme_designator, c.meaning) for c in known}
    assert any("PS3.15" in line for line in data.DeidentificationMethod)


REAL = {
    "ybr": (lambda: examples.get_path("ybr_color"), JPEGLSLossless),
    "palette": (lambda: examples.get_path("palette_color"), JPEGLSLossless),
    "rgb": (lambda: examples.get_path("rgb_color"), JPEGLSLossless),
    "jpeg 2000": (lambda: examples.get_path("jpeg2k"), JPEGLSLossless),
    "old big endian": (
        lambda: get_testdata_file("ExplVR_BigEnd.dcm", download=False), JPEGLSLossless,
    ),
    "two regions": (lambda: get_testdata_file("OBXXXX1A.dcm", download=False), JPEGLSLossless),
    "lossless grey": (
        lambda: get_testdata_file("JPGLosslessP14SV1_1s_1f_8b.dcm", download=False),
        JPEGLSLossless,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", REAL)
def test_pixels_outside_the_mask_are_equal_and_inside_black(runner, name):
    path, syntax = REAL[name][0](), REAL[name][1]
    with open(path, "rb") as file:
        content = file.read()
    data, _content = clean(runner, content)
    assert data.file_meta.TransferSyntaxUID == syntax
    header = pydicom.dcmread(path)
    with open(path, "rb") as file:
        count = int(header.get("NumberOfFrames") or 1)
        before = np.stack([np.asarray(d.picture()) for d in dicom._frames(file, header, count)])
    after = np.stack(list(pydicom.pixels.iter_pixels(data)))
    height, width = before.shape[1:3]
    covered = np.zeros((height, width), bool)
    for one in MASK:
        x0, y0, x1, y1 = (
            int(one.x0 * width), int(one.y0 * height), -int(-one.x1 * width // 1),
            -int(-one.y1 * height // 1),
        )  # fmt: skip
        covered[y0:y1, x0:x1] = True
    edge = covered ^ (np.roll(covered, 1, 0) & np.roll(covered, 1, 1) & covered)
    assert np.array_equal(after[:, ~covered & ~edge], before[:, ~covered & ~edge])
    assert after[:, covered & ~edge].max() == 0
    assert int(data.get("NumberOfFrames") or 1) == len(before)
    # What a reader of the picture needs is still there.
    assert data.get("SequenceOfUltrasoundRegions") == header.get("SequenceOfUltrasoundRegions")


def test_deep_grey_is_kept_as_it_was(runner):
    deep = np.random.default_rng(4).integers(0, 4096, (1, 120, 160), dtype=np.uint16)
    data = samples.dicom([deep[0]], BitsAllocated=16, BitsStored=12, HighBit=11)
    data.NumberOfFrames = 1
    kept, _content = clean(runner, samples.saved(data))
    assert kept.file_meta.TransferSyntaxUID == ExplicitVRLittleEndian
    pixels = kept.pixel_array
    assert np.array_equal(pixels[20:60], deep[0, 20:60])
    assert pixels[:12].max() == 0


def test_one_identifier_becomes_one_other_wherever_it_stands(runner):
    data = samples.dicom()
    data.StudyInstanceUID, data.SeriesInstanceUID = "1.2.3.4", "1.2.3.5"
    item = Dataset()
    item.ReferencedSOPInstanceUID, item.StudyInstanceUID = "1.2.3.5", "1.2.3.4"
    data.ReferencedStudySequence = [item]
    data.SequenceOfUltrasoundRegions = [samples.region(10, 10, 149, 109)]
    data.SequenceOfUltrasoundRegions[0].StudyInstanceUID = "1.2.3.4"
    data.SequenceOfUltrasoundRegions[0].StationName = "Cart 7"
    kept, content = clean(runner, samples.saved(data))
    assert kept.StudyInstanceUID == named("1.2.3.4")
    assert kept.SequenceOfUltrasoundRegions[0].StudyInstanceUID == named("1.2.3.4")
    assert kept.SeriesInstanceUID == named("1.2.3.5")
    assert kept.SOPClassUID == data.SOPClassUID
    assert b"1.2.3.4" not in content


@pytest.mark.parametrize(
    ("said", "kept"),
    [
        ("LUNG ULTRASOUND, RIGHT UPPER ZONE", True),
        ("Lung ultrasound of Ada Fenn", False),
        ("bed 12", False),
        ("", False),
    ],
)
def test_a_descriptor_stays_where_each_of_its_words_is_the_trades_own(runner, said, kept):
    data = samples.dicom()
    data.StudyDescription = said
    after, _content = clean(runner, samples.saved(data))
    assert after.get("StudyDescription") == (said if kept else None)


def test_a_file_that_cannot_be_cleaned_is_a_refusal(runner, planted):
    stripped = runner.strip([planted[1]], day=samples.DAY)
    half = planted[1][: len(planted[1]) // 3]
    refusal = runner.clean([half], facts=stripped.facts, mask=MASK, rename=named)
    assert isinstance(refusal, Refusal)


def test_every_action_of_the_table_is_known():
    assert {row.basic for row in annex_e.table()} <= set(cleaning.ACTIONS)
    assert Limits().frames > 0
