"""DICOM ultrasound: the pixels, the times and the regions; no attribute is carried along.

Runs in the child process only. Regions: PS3.3 C.8.5.5 (US Region Calibration Module).
"""

import io
import itertools
import warnings
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, BinaryIO

import numpy as np
import pydicom
from PIL import Image
from pydicom.dataset import Dataset
from pydicom.encaps import generate_frames
from pydicom.filereader import read_dataset
from pydicom.pixels import apply_color_lut, apply_voi_lut, get_decoder, iter_pixels
from pydicom.uid import (
    UID,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGExtended12Bit,
    JPEGLossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    RLELossless,
)

from logbook.intake import clips, embedded, frames, masks, stills
from logbook.intake.facts import Day, Facts, Limits, Rectangle, Refused, Suggestions

MARK, MARK_AT = b"DICM", 128
KINDS = {"US", "IVUS", "OT", "SC", "XC", ""}
OTHER_KINDS = {"CT", "MR", "CR", "DX", "MG", "NM", "PT", "XA", "RF", "ECG", "SR", "DOC", "PR", "KO"}
FLAT, M_MODE, SPECTRAL = 1, 2, 3  # region spatial formats that are images
CENTIMETRES = 3  # region physical units
ASSUMED_FRAME_MS = 40.0
EDGE = 2  # pixels
LOSSLESS = {
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGLossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    RLELossless,
}
PLAIN_YBR = ("YBR_FULL", "YBR_FULL_422")
RGB_IDS = [ord(letter) for letter in "RGB"]
TICKS = 1_000_000
DEFLATED_LEAST, DEFLATED_RATIO = 16 * 1024 * 1024, 60
WANTED = [
    "Modality",
    "Rows",
    "Columns",
    "NumberOfFrames",
    "SamplesPerPixel",
    "PhotometricInterpretation",
    "PlanarConfiguration",
    "BitsAllocated",
    "BitsStored",
    "HighBit",
    "PixelRepresentation",
    "FrameTime",
    "FrameTimeVector",
    "CineRate",
    "RecommendedDisplayFrameRate",
    "AcquisitionDateTime",
    "AcquisitionDate",
    "ContentDate",
    "StudyDate",
    "WindowCenter",
    "WindowWidth",
    "VOILUTFunction",
    "SequenceOfUltrasoundRegions",
    "RedPaletteColorLookupTableDescriptor",
    "GreenPaletteColorLookupTableDescriptor",
    "BluePaletteColorLookupTableDescriptor",
    "RedPaletteColorLookupTableData",
    "GreenPaletteColorLookupTableData",
    "BluePaletteColorLookupTableData",
    "SegmentedRedPaletteColorLookupTableData",
    "SegmentedGreenPaletteColorLookupTableData",
    "SegmentedBluePaletteColorLookupTableData",
]


def strip(
    source: BinaryIO, working: BinaryIO, poster: BinaryIO, *, limits: Limits, day: Day
) -> Facts:
    """Decode a still or a cine, write it afresh. Raises Refused; other errors mean damage."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        _check_deflated(source)
        header = pydicom.dcmread(source, stop_before_pixels=True, specific_tags=WANTED)
        count = _check(header, limits)
        boxes, clamped = regions(header)
        moves = count > 1 or embedded.is_clip(_syntax(header))
        shape = {
            "mask": None if boxes is None else _mask(boxes, header, clamped, padded=moves),
            "regions_clamped": clamped,
            "suggestions": suggestions(header),
            "file_date": stills.compare_day(_file_day(header), day),
            "source": "dicom",
        }
        if embedded.is_clip(_syntax(header)):
            return _embedded(source, header, working, poster, limits=limits, shape=shape)
        decoded = _frames(source, header, count)
        if count == 1:
            first = next(decoded, None)
            if first is None:
                raise Refused("cut_short")
            picture = first.picture()
            luma = stills.write_working(picture, working, poster)
            lossless = _syntax(header) in LOSSLESS
            return stills.facts_of_still(*picture.size, lossless=lossless, luma=luma, **shape)
        colour = {"space": frames.SMPTE170M}
        writer = frames.WorkingWriter(working, count)
        for one in itertools.islice(decoded, count):
            writer.add(frames.even(one.pixels, ybr=one.ybr))
        if writer.count < count:
            raise Refused("cut_short")
        writer.close(poster)
    times, end, known = frame_times(header, count)
    return clips.facts_of_clip(
        writer, times=times, ticks=TICKS, end=end, times_known=known, colour=colour, **shape
    )


def _embedded(
    source: BinaryIO,
    header: Dataset,
    working: BinaryIO,
    poster: BinaryIO,
    *,
    limits: Limits,
    shape: dict[str, Any],
) -> Facts:
    """A clip as the pixel data. Its frames' times are those that the header gives, if any."""
    if not _at_pictures(source):
        raise Refused("damaged")
    writer, timing, colour = embedded.rewrite(source, _syntax(header), working, limits=limits)
    if writer.count < int(header.get("NumberOfFrames") or 1):
        raise Refused("cut_short")
    writer.close(poster)
    times, end, known = frame_times(header, writer.count)
    ticks = TICKS
    if not known:
        times, ticks, end, known = timing.tidy()
    if end / ticks > limits.seconds:
        raise Refused("too_long", seconds=limits.seconds, frames=limits.frames)
    return clips.facts_of_clip(
        writer, times=times, ticks=ticks, end=end, times_known=known, colour=colour, **shape
    )


def _syntax(header: Dataset) -> UID:
    return UID(header.file_meta.TransferSyntaxUID)


def _check_deflated(source: BinaryIO) -> None:
    """A deflated data set is unpacked whole before its header can be read: measure it first."""
    source.seek(MARK_AT + len(MARK))
    meta = read_dataset(
        source,
        is_implicit_VR=False,
        is_little_endian=True,
        stop_when=lambda tag, _vr, _length: tag.group != 2,
    )
    if meta.get("TransferSyntaxUID") == DeflatedExplicitVRLittleEndian:
        packed = source.read()
        most = max(DEFLATED_LEAST, len(packed) * DEFLATED_RATIO)
        unpack = zlib.decompressobj(-zlib.MAX_WBITS)
        if len(unpack.decompress(packed, most + 1)) > most:
            raise Refused("too_heavy")
    source.seek(0)


def _check(header: Dataset, limits: Limits) -> int:
    """The number of frames; raises Refused for what is not taken."""
    kind = str(header.get("Modality", "") or "").strip().upper()
    if kind not in KINDS:
        # Only a code of the standard is repeated; anything else may be anybody's text.
        raise Refused("not_ultrasound", modality=kind if kind in OTHER_KINDS else "?")
    rows, columns = int(header.get("Rows") or 0), int(header.get("Columns") or 0)
    if not rows or not columns:
        raise Refused("no_picture")
    count = int(header.get("NumberOfFrames") or 1)
    if count < 1:
        raise Refused("damaged")
    if count == 1:
        limits.check_still(columns, rows)
    else:
        _times, end, _known = frame_times(header, min(count, limits.frames + 1))
        limits.check_clip(columns, rows, count, end / TICKS)
    if embedded.is_clip(_syntax(header)):
        return count
    try:
        available = get_decoder(_syntax(header)).is_available
    except NotImplementedError:
        available = not _syntax(header).is_compressed
    if not available:
        raise Refused("syntax")
    return count


@dataclass(frozen=True)
class Decoded:
    """A frame: grey (rows, columns) or colour (rows, columns, 3), uint8.

    `ybr`: brightness and two of colour, ITU-R BT.601 in full range; else red, green and blue.
    """

    pixels: np.ndarray
    ybr: bool = False

    def picture(self) -> Image.Image:
        """The frame in grey or in red, green and blue."""
        if self.ybr:
            return Image.fromarray(self.pixels, "YCbCr").convert("RGB")
        return Image.fromarray(self.pixels)


def _frames(source: BinaryIO, header: Dataset, count: int) -> Iterator[Decoded]:
    """Frame by frame, as the file's own decoder gives them."""
    interpretation = str(header.get("PhotometricInterpretation", ""))
    syntax = _syntax(header)
    eight = header.get("BitsAllocated") == 8 and interpretation in PLAIN_YBR
    if eight and syntax in (JPEGBaseline8Bit, JPEGExtended12Bit) and _at_pictures(source):
        yield from _jpegs(source, header, count)
        return
    source.seek(0)
    if interpretation == "PALETTE COLOR" and syntax == ExplicitVRBigEndian:
        header = _palette_in_order(header)
    # Frame by frame from the file; only a deflated one has to be in memory as a whole.
    deflated = syntax == DeflatedExplicitVRLittleEndian
    for frame in iter_pixels(pydicom.dcmread(source) if deflated else source):
        if interpretation == "PALETTE COLOR":
            frame = apply_color_lut(frame, header)
            frame = frame >> 8 if frame.dtype == np.uint16 else frame
        elif frame.ndim == 2:
            frame = _grey(frame, header, inverted=interpretation == "MONOCHROME1")
        elif frame.dtype != np.uint8:
            frame = frame >> max(int(header.BitsStored) - 8, 0)
        pixels = frame[..., :3] if frame.ndim == 3 else frame
        yield Decoded(np.ascontiguousarray(pixels, dtype=np.uint8))


def _palette_in_order(header: Dataset) -> Dataset:
    """Palettes of a big-endian file as little-endian words, which is how they are applied."""
    turned = Dataset(header)
    for name in ("Red", "Green", "Blue"):
        keyword = f"{name}PaletteColorLookupTableData"
        if keyword in header and header[keyword].VR == "OW":
            words = np.frombuffer(header[keyword].value, ">u2").astype("<u2")
            turned.add_new(keyword, "OW", words.tobytes())
    return turned


def _at_pictures(source: BinaryIO) -> bool:
    """From the end of the header to behind the head of encapsulated pixel data, if that is next."""
    return source.read(12) == b"\xe0\x7f\x10\x00OB\0\0\xff\xff\xff\xff"


def _jpegs(source: BinaryIO, header: Dataset, count: int) -> Iterator[Decoded]:
    """The commonest compression of ultrasound without a detour over red, green and blue."""
    size = (int(header.Columns), int(header.Rows))
    for content in generate_frames(source, number_of_frames=count):
        picture = Image.open(io.BytesIO(content), formats=("JPEG",))
        if picture.size != size:
            raise Refused("damaged")
        # Where the stream says of itself that it is something else, the decoder follows it.
        if "adobe_transform" not in picture.info and [one[0] for one in picture.layer] != RGB_IDS:
            picture.draft("YCbCr", size)
        yield Decoded(np.asarray(picture), ybr=picture.mode == "YCbCr")


def _grey(frame: np.ndarray, header: Dataset, *, inverted: bool) -> np.ndarray:
    if frame.dtype != np.uint8:
        stored = int(header.get("BitsStored") or 16)
        if header.get("WindowWidth") is not None:
            window = apply_voi_lut(frame, header).astype(np.float64)
        else:
            window = frame.astype(np.float64)
        lowest = -(2 ** (stored - 1)) if header.get("PixelRepresentation") else 0
        frame = np.clip((window - lowest) / (2**stored - 1) * 255, 0, 255).round().astype(np.uint8)
    return 255 - frame if inverted else frame


def frame_times(header: Dataset, count: int) -> tuple[list[int], int, bool]:
    """When each frame begins and when the last ends, in microseconds; whether the file said so."""
    vector = header.get("FrameTimeVector")
    if vector is not None and not isinstance(vector, (str, bytes)):
        try:
            steps = [float(step) for step in vector]
        except TypeError:
            steps = [float(vector)]
        if len(steps) == count > 1 and all(step > 0 for step in steps[1:]):
            times = [round(at * 1000) for at in itertools.accumulate([0.0, *steps[1:]])]
            return times, times[-1] + round(steps[-1] * 1000), True
    milliseconds = _positive(header.get("FrameTime"))
    if milliseconds is None:
        rate = _positive(header.get("CineRate")) or _positive(
            header.get("RecommendedDisplayFrameRate")
        )
        milliseconds = 1000 / rate if rate else None
    step = milliseconds or ASSUMED_FRAME_MS
    times = [round(index * step * 1000) for index in range(count + 1)]
    return times[:-1], times[-1], milliseconds is not None


def regions(header: Dataset) -> tuple[list[masks.Box] | None, bool]:
    """The image regions inside the frame (None where the file names none); any was clamped."""
    width, height = int(header.Columns), int(header.Rows)
    boxes, clamped = [], False
    for item in _region_items(header):
        if item.get("RegionSpatialFormat") not in (FLAT, M_MODE, SPECTRAL):
            continue
        box = _box(item)
        inside = box and masks.clamp(box, width, height)
        clamped = clamped or box is None or _sticks_out(box, width, height)
        if inside:
            boxes.append(inside)
    return boxes or None, clamped


def _sticks_out(box: masks.Box, width: int, height: int) -> bool:
    """Whether the region was meant for another picture: nothing of it is inside, or it reaches
    beyond both sides. Beyond one alone the picture was cut, and what is left of it fits.

    Some machines count the edge itself: rounding is no reaching beyond.
    """
    across, down = max(-box[0], box[2] - width), max(-box[1], box[3] - height)
    return min(across, down) > EDGE or masks.clamp(box, width, height) is None


def suggestions(header: Dataset) -> Suggestions:
    """What the file says about depth, rate and probe; None where it says nothing."""
    times, end, known = frame_times(header, int(header.get("NumberOfFrames") or 1))
    rate = round(len(times) * TICKS / end, 3) if known and len(times) > 1 else None
    for item in _region_items(header):
        box = _box(item)
        if item.get("RegionSpatialFormat") != FLAT or box is None:
            continue
        inside = masks.clamp(box, int(header.Columns), int(header.Rows))
        region = masks.normalise(inside, int(header.Columns), int(header.Rows)) if inside else None
        frequency = _positive(item.get("TransducerFrequency"))
        return Suggestions(
            depth_mm=_depth(item),
            frame_rate=rate,
            probe_mhz=round(frequency / 1000, 2) if frequency else None,
            pixel_mm=_pixel_mm(item),
            region=region,
            zero_at=_zero_at(item, box, int(header.Rows)),
        )
    return Suggestions(frame_rate=rate)


def _region_items(header: Dataset) -> list[Dataset]:
    return list(header.get("SequenceOfUltrasoundRegions") or [])


def _box(item: Dataset) -> masks.Box | None:
    try:
        return (
            int(item.RegionLocationMinX0),
            int(item.RegionLocationMinY0),
            int(item.RegionLocationMaxX1) + 1,
            int(item.RegionLocationMaxY1) + 1,
        )
    except (AttributeError, TypeError, ValueError):
        return None


def _pixel_mm(item: Dataset) -> float | None:
    delta = _positive(item.get("PhysicalDeltaY"))
    if item.get("PhysicalUnitsYDirection") != CENTIMETRES or delta is None:
        return None
    return delta * 10


def _depth(item: Dataset) -> float | None:
    """The region's extent below its reference line, in mm. Machines differ by up to a fifth."""
    pixel, box = _pixel_mm(item), _box(item)
    if pixel is None or box is None:
        return None
    rows = box[3] - 1 - box[1]
    reference = item.get("ReferencePixelY0")
    if isinstance(reference, int) and 0 < reference < rows:
        rows -= reference
    return round(rows * pixel, 1)


def _zero_at(item: Dataset, box: masks.Box, height: int) -> float:
    """Where depth begins, as a fraction of the picture's height."""
    reference = item.get("ReferencePixelY0")
    inside = isinstance(reference, int) and 0 < reference < box[3] - 1 - box[1]
    return max(box[1] + (reference if inside else 0), 0) / height


def _positive(value: object) -> float | None:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return None
    return number if 0 < number < 1e9 else None


def _mask(
    boxes: list[masks.Box], header: Dataset, clamped: bool, *, padded: bool
) -> list[Rectangle]:
    width, height = int(header.Columns), int(header.Rows)
    if padded:  # a clip's odd side gains a row or column
        width, height = width + width % 2, height + height % 2
    found = [masks.normalise(box, width, height) for box in masks.outside(boxes, width, height)]
    # Regions that do not fit the frame were meant for another one: where nothing else stands out,
    # what they leave is covered above and below as well.
    return [*found, *masks.BANDS] if clamped else found


def _file_day(header: Dataset):
    names = ("AcquisitionDateTime", "AcquisitionDate", "ContentDate", "StudyDate")
    found = (stills.day_from_text(header.get(name)) for name in names)
    return next((day for day in found if day), None)
