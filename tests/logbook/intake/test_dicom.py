"""Ultrasound files: made ones in each compression, and those that pydicom ships.

Regions: DICOM PS3.3 C.8.5.5. The depths printed on the screens of pydicom's examples were read
by eye from their pictures.
"""

import io
from fractions import Fraction

import numpy as np
import pydicom
import pytest
from PIL import Image
from pydicom import examples
from pydicom.encaps import encapsulate
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGLosslessSV1,
    JPEGLSLossless,
    RLELossless,
)

from logbook.intake.facts import Day, Limits, Rectangle, Refusal
from logbook.intake.runner import Finished, Runner, Stripped
from tests.logbook.intake import samples


def strip(runner, content, day=samples.DAY):
    stripped = runner.strip([content], day=day)
    assert isinstance(stripped, Stripped), stripped
    return stripped


def finish(runner, stripped, mask=()):
    finished = runner.finish([stripped.working.read()], facts=stripped.facts, mask=mask)
    assert isinstance(finished, Finished), finished
    return finished


def numbers(runner, content):
    kept = finish(runner, strip(runner, content)).master.read()
    return [samples.number_in(grey) for _time, grey in samples.frames_of(kept)]


def example(name):
    with open(examples.get_path(name), "rb") as file:
        return file.read()


@pytest.mark.parametrize("syntax", [ImplicitVRLittleEndian, ExplicitVRBigEndian])
def test_uncompressed_cines_in_either_byte_order(runner, syntax):
    data = samples.dicom()
    data.file_meta.TransferSyntaxUID = syntax
    out = io.BytesIO()
    pydicom.dcmwrite(out, data, enforce_file_format=True, implicit_vr=None)
    assert numbers(runner, out.getvalue()) == list(range(5))


def test_a_deflated_cine(runner):
    data = samples.dicom()
    data.file_meta.TransferSyntaxUID = DeflatedExplicitVRLittleEndian
    assert numbers(runner, samples.saved(data)) == list(range(5))


@pytest.mark.parametrize("syntax", [RLELossless, JPEG2000Lossless, JPEGLSLossless])
def test_losslessly_compressed_stills_keep_every_pixel(runner, syntax):
    pixels = samples.pattern()
    data = samples.dicom(pixels[None])
    data.NumberOfFrames = 1
    compressed(data, syntax, pixels)
    finished = finish(runner, strip(runner, samples.saved(data)))
    with Image.open(finished.master) as kept:
        assert (np.array(kept) == pixels).all()


def compressed(data, syntax, pixels):
    if syntax == JPEG2000Lossless:
        out = io.BytesIO()
        Image.fromarray(pixels).save(out, "JPEG2000", irreversible=False, no_jp2=True)
        data.PixelData = encapsulate([out.getvalue()])
        data["PixelData"].is_undefined_length = True
        data.file_meta.TransferSyntaxUID = syntax
    else:
        data.compress(syntax, generate_instance_uid=False)


def test_a_jpeg_lossless_still_as_gdcm_writes_it(runner, tmp_path):
    gdcm = pytest.importorskip("gdcm")
    pixels = samples.pattern()
    source, target = tmp_path / "plain.dcm", tmp_path / "lossless.dcm"
    data = samples.dicom(pixels[None])
    data.NumberOfFrames = 1
    source.write_bytes(samples.saved(data))
    reader = gdcm.ImageReader()
    reader.SetFileName(str(source))
    assert reader.Read()
    change = gdcm.ImageChangeTransferSyntax()
    change.SetTransferSyntax(gdcm.TransferSyntax(gdcm.TransferSyntax.JPEGLosslessProcess14_1))
    change.SetInput(reader.GetImage())
    assert change.Change()
    writer = gdcm.ImageWriter()
    writer.SetFileName(str(target))
    writer.SetFile(reader.GetFile())
    writer.SetImage(change.GetOutput())
    assert writer.Write()
    assert pydicom.dcmread(target).file_meta.TransferSyntaxUID == JPEGLosslessSV1
    finished = finish(runner, strip(runner, target.read_bytes()))
    with Image.open(finished.master) as kept:
        assert (np.array(kept) == pixels).all()


@pytest.mark.parametrize("photometric", ["RGB", "YBR_FULL", "YBR_FULL_422"])
def test_colour_comes_out_as_colour_whatever_its_space(runner, photometric):
    pixels = samples.colour()
    data = samples.dicom(pixels[None], photometric=photometric)
    data.NumberOfFrames = 1
    if photometric != "RGB":
        out = io.BytesIO()
        sampling = 1 if photometric == "YBR_FULL_422" else 0
        Image.fromarray(pixels).save(out, "JPEG", quality=98, subsampling=sampling)
        data.PixelData = encapsulate([out.getvalue()])
        data["PixelData"].is_undefined_length = True
        data.file_meta.TransferSyntaxUID = JPEGBaseline8Bit
    finished = finish(runner, strip(runner, samples.saved(data)))
    with Image.open(finished.master) as kept:
        assert np.abs(np.array(kept).astype(int) - pixels).mean() < 4


def test_colour_by_plane_and_uncompressed_ybr(runner):
    pixels = samples.colour()
    data = samples.dicom(pixels[None], PlanarConfiguration=1)
    data.NumberOfFrames = 1
    data.PixelData = np.ascontiguousarray(pixels.transpose(2, 0, 1)).tobytes()
    finished = finish(runner, strip(runner, samples.saved(data)))
    with Image.open(finished.master) as kept:
        assert (np.array(kept) == pixels).all()
    ybr = np.array(Image.fromarray(pixels).convert("YCbCr"))
    data = samples.dicom(ybr[None], photometric="YBR_FULL")
    data.NumberOfFrames = 1
    finished = finish(runner, strip(runner, samples.saved(data)))
    with Image.open(finished.master) as kept:
        assert np.abs(np.array(kept).astype(int) - pixels).max() <= 3


def test_inverted_and_deep_grey(runner):
    pixels = samples.pattern()
    data = samples.dicom((255 - pixels)[None], photometric="MONOCHROME1")
    data.NumberOfFrames = 1
    with Image.open(finish(runner, strip(runner, samples.saved(data))).master) as kept:
        assert (np.array(kept) == pixels).all()
    deep = samples.dicom((pixels.astype(np.uint16) << 4)[None])
    deep.NumberOfFrames, deep.BitsStored, deep.HighBit = 1, 12, 11
    with Image.open(finish(runner, strip(runner, samples.saved(deep))).master) as kept:
        assert np.abs(np.array(kept).astype(int) - pixels).max() <= 1


def test_the_frame_times_of_a_cine(runner):
    for attributes, wanted, known in (
        ({"FrameTime": "40.0"}, [0, 40, 80, 120, 160], True),
        ({"FrameTimeVector": ["0", "10", "20", "30", "40"]}, [0, 10, 30, 60, 100], True),
        ({"CineRate": "50"}, [0, 20, 40, 60, 80], True),
        ({"RecommendedDisplayFrameRate": "10"}, [0, 100, 200, 300, 400], True),
        ({"FrameTime": "0"}, [0, 40, 80, 120, 160], False),
        ({}, [0, 40, 80, 120, 160], False),
    ):
        stripped = strip(runner, samples.saved(samples.dicom(**attributes)))
        assert stripped.facts.times_known is known
        kept = finish(runner, stripped).master.read()
        assert [time for time, _grey in samples.frames_of(kept)] == [
            Fraction(ms, 1000) for ms in wanted
        ]


def test_outside_the_regions_is_suggested_to_be_covered(runner):
    regions = [samples.region(20, 15, 99, 99), samples.region(110, 15, 149, 99)]
    waveform = samples.region(0, 100, 159, 119, RegionSpatialFormat=4)
    data = samples.dicom(SequenceOfUltrasoundRegions=[*regions, waveform])
    stripped = strip(runner, samples.saved(data))
    facts = stripped.facts
    assert (facts.mask_from, facts.regions_clamped) == ("regions", False)
    kept = samples.frames_of(finish(runner, stripped, facts.mask).master.read())
    for _time, grey in kept:
        inside = np.zeros(grey.shape, bool)
        inside[15:100, 20:100] = inside[15:100, 110:150] = True
        assert grey[~inside].max() <= 60  # ringing at the edge
        assert grey[100:].max() <= 24
        assert grey[20:95, 25:95].min() > 25


def test_the_file_offers_depth_rate_and_probe(runner):
    item = samples.region(
        20, 10, 139, 110,
        PhysicalUnitsYDirection=3, PhysicalUnitsXDirection=3,
        PhysicalDeltaX=0.05, PhysicalDeltaY=0.05, TransducerFrequency=5000,
    )  # fmt: skip
    data = samples.dicom(FrameTime="25.0", SequenceOfUltrasoundRegions=[item])
    found = strip(runner, samples.saved(data)).facts.suggestions
    assert (found.depth_mm, found.frame_rate, found.probe_mhz) == (50.0, 40.0, 5.0)
    assert found.region == Rectangle(20 / 160, 10 / 120, 140 / 160, 111 / 120)


def test_the_day_in_the_file(runner):
    for attributes, wanted in (
        ({"StudyDate": "20260304"}, "agrees"),
        ({"StudyDate": "20260303"}, "differs"),
        ({"AcquisitionDateTime": "20260304101112.5", "StudyDate": "20260303"}, "agrees"),
        ({}, "absent"),
    ):
        content = samples.saved(samples.dicom(**attributes))
        assert strip(runner, content).facts.file_date == wanted


def test_pydicoms_colour_cine_its_region_reaches_beyond_the_frame(runner):
    """30 frames of 240 by 320; the region 84,31 to 595,414 belongs to the frame before it was
    halved, so it gives way to where the moving tissue is."""
    stripped = strip(runner, example("ybr_color"))
    facts = stripped.facts
    assert (facts.kind, facts.frames, facts.width, facts.height) == ("clip", 30, 320, 240)
    assert facts.regions_clamped
    assert facts.mask_from == "found"
    kept = samples.frames_of(finish(runner, stripped, facts.mask).master.read())
    assert [time for time, _g in kept] == [Fraction(33333 * i, 10**6) for i in range(30)]
    assert max(grey[:12].max() for _t, grey in kept) <= 24  # the screen's upper line of letters
    assert max(grey[:, :80].max() for _t, grey in kept) <= 24
    assert max(grey[225:].max() for _t, grey in kept) <= 24
    source = [
        np.array(Image.fromarray(frame).convert("L"))
        for frame in pydicom.pixels.iter_pixels(examples.get_path("ybr_color"))
    ]
    for (_time, grey), whole in zip(kept, source, strict=True):
        assert np.abs(grey[40:195, 100:240] - whole[40:195, 100:240].astype(float)).mean() < 3


@pytest.mark.parametrize(
    ("name", "depth_on_screen_mm"), [("palette_color", 110), ("ybr_color", 190)]
)
def test_the_depth_offered_is_near_the_one_on_the_screen(runner, name, depth_on_screen_mm):
    """A fifth of tolerance: machines differ in what the region's extent stands for."""
    found = strip(runner, example(name)).facts.suggestions
    assert abs(found.depth_mm - depth_on_screen_mm) / depth_on_screen_mm < 0.2


@pytest.mark.parametrize("name", ["palette_color", "rgb_color", "jpeg2k"])
def test_pydicoms_stills(runner, name):
    stripped = strip(runner, example(name))
    finished = finish(runner, stripped)
    data = getattr(examples, name)
    with Image.open(finished.master) as kept:
        assert kept.size == (data.Columns, data.Rows)
        expected = data.pixel_array
        if name == "palette_color":
            expected = pydicom.pixels.apply_color_lut(expected, data) >> 8
        elif data.PhotometricInterpretation.startswith("YBR_FULL"):
            expected = pydicom.pixels.convert_color_space(expected, "YBR_FULL", "RGB")
        assert np.abs(np.array(kept).astype(int) - expected).mean() < 3


def test_an_old_fashioned_big_endian_still(runner):
    path = pydicom.data.get_testdata_file("ExplVR_BigEnd.dcm", download=False)
    with open(path, "rb") as file:
        facts = strip(runner, file.read(), day=Day("1997-04-24")).facts
    assert (facts.mask_from, facts.file_date) == ("bands", "agrees")


@pytest.mark.parametrize(
    ("attributes", "code"),
    [
        ({"Modality": "CT"}, "not_ultrasound"),
        ({"Modality": "ADA^INVENTED"}, "not_ultrasound"),
        ({"Rows": 65535, "Columns": 65535}, "too_many_pixels"),
        ({"NumberOfFrames": 2_000_000_000}, "too_long"),
        ({"NumberOfFrames": -1}, "damaged"),
        ({"NumberOfFrames": 9}, "damaged"),
        ({"Rows": 0}, "no_picture"),
        ({"Rows": 240}, "damaged"),
    ],
)
def test_a_header_that_lies_or_is_of_something_else_is_refused(runner, attributes, code):
    refusal = runner.strip([samples.saved(samples.dicom(**attributes))], day=samples.DAY)
    assert isinstance(refusal, Refusal)
    assert refusal.code == code
    assert "INVENTED" not in refusal.sentence


def test_a_cine_with_too_few_frames_inside_is_refused(runner):
    data = samples.dicom()
    data.compress(RLELossless, generate_instance_uid=False)
    data.NumberOfFrames = 7
    refusal = runner.strip([samples.saved(data)], day=samples.DAY)
    assert refusal.code in ("cut_short", "damaged")


def test_a_report_without_pictures_is_refused(runner):
    data = samples.dicom()
    del data.PixelData, data.Rows, data.Columns
    assert runner.strip([samples.saved(data)], day=samples.DAY).code == "no_picture"


def test_an_unknown_compression_is_refused_with_what_to_do(runner):
    data = samples.dicom()
    data.PixelData = encapsulate([b"\0\1\2\3"] * 5)
    data["PixelData"].is_undefined_length = True
    data.file_meta.TransferSyntaxUID = "1.2.840.10008.1.2.4.106"  # H.264 in stereo
    refusal = runner.strip([samples.saved(data)], day=samples.DAY)
    assert refusal.code == "syntax"
    assert "Export it" in refusal.sentence


def test_a_cine_too_long_is_refused_from_its_header():
    strict = Runner(limits=Limits(frames=4))
    try:
        refusal = strict.strip([samples.saved(samples.dicom())], day=samples.DAY)
        assert refusal.code == "too_long"
    finally:
        strict.close()
