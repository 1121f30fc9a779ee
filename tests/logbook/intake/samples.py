"""Invented pictures, clips and DICOM files, made by program."""

import io
from fractions import Fraction

import av
import numpy as np
import pillow_heif
import pydicom
from PIL import Image
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian, UltrasoundMultiFrameImageStorage

from logbook.intake.facts import Day

pillow_heif.register_heif_opener()

DAY = Day("2026-03-04")


def pattern(width=160, height=120, seed=1):
    """Grey pixels with large and small structure, none of it at the limits of the range."""
    rng = np.random.default_rng(seed)
    ramp = np.linspace(40, 180, height)[:, None] + np.linspace(0, 40, width)[None, :]
    return np.clip(ramp + rng.normal(0, 2, (height, width)), 16, 235).astype(np.uint8)


def colour(width=160, height=120, seed=1):
    """The same in three channels."""
    grey = pattern(width, height, seed)
    return np.dstack([grey, grey // 2 + 40, 220 - grey // 2]).astype(np.uint8)


def picture(pixels=None, form="PNG", **options):
    """An encoded picture."""
    out = io.BytesIO()
    Image.fromarray(colour() if pixels is None else pixels).save(out, form, **options)
    return out.getvalue()


def clip(
    frames=12, width=160, height=120, times=None, ticks=30, codec="libx264", form="mp4", **more
):
    """An encoded clip whose frame i has a bright column block at i (readable after encoding)."""
    out = io.BytesIO()
    with av.open(out, "w", format=form) as target:
        stream = target.add_stream(codec, rate=30, options=more.pop("options", {"crf": "12"}))
        stream.width, stream.height, stream.pix_fmt = width, height, more.pop("pix_fmt", "yuv420p")
        stream.codec_context.time_base = stream.time_base = Fraction(1, ticks)
        for key, value in more.pop("metadata", {}).items():
            target.metadata[key] = value
        for index in range(frames):
            grey = numbered(index, width, height)
            frame = av.VideoFrame.from_ndarray(grey, format="gray").reformat(format=stream.pix_fmt)
            frame.pts = times[index] if times else index
            frame.time_base = Fraction(1, ticks)
            target.mux(stream.encode(frame))
        target.mux(stream.encode())
    return out.getvalue()


def numbered(index, width=160, height=120):
    """A frame that says its number in eight blocks along its middle row, dark or bright."""
    grey = pattern(width, height, seed=7) // 2 + 30
    for bit in range(8):
        x0, x1 = width * bit // 8, width * (bit + 1) // 8
        grey[height // 2 - 8 : height // 2 + 8, x0:x1] = 220 if index >> bit & 1 else 30
    return grey


def number_in(grey):
    """The inverse of `numbered`."""
    height, width = grey.shape
    middle = grey[height // 2 - 4 : height // 2 + 4]
    blocks = (middle[:, width * bit // 8 + 4 : width * (bit + 1) // 8 - 4] for bit in range(8))
    return sum((block.mean() > 125) << bit for bit, block in enumerate(blocks))


def frames_of(clip_bytes):
    """[(seconds, grey pixels)] of a finished clip."""
    with av.open(io.BytesIO(clip_bytes), "r", format="mov") as container:
        return [
            (frame.pts * frame.time_base, frame.to_ndarray(format="gray"))
            for frame in container.decode(video=0)
        ]


def dicom(frames=None, *, photometric="MONOCHROME2", **attributes):
    """An ultrasound data set, uncompressed; `frames` (n, rows, columns[, 3]) uint8."""
    pixels = np.stack([numbered(i) for i in range(5)]) if frames is None else np.asarray(frames)
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = UltrasoundMultiFrameImageStorage
    meta.MediaStorageSOPInstanceUID = "1.2.3.4"
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    data = FileDataset(None, {}, file_meta=meta, preamble=b"\0" * 128)
    data.SOPClassUID, data.SOPInstanceUID = meta.MediaStorageSOPClassUID, "1.2.3.4"
    data.Modality = "US"
    data.Rows, data.Columns = pixels.shape[1:3]
    data.NumberOfFrames = len(pixels)
    data.SamplesPerPixel = 3 if pixels.ndim == 4 else 1
    if pixels.ndim == 4:
        data.PlanarConfiguration = 0
    data.PhotometricInterpretation = photometric
    bits = pixels.dtype.itemsize * 8
    data.BitsAllocated = data.BitsStored = bits
    data.HighBit, data.PixelRepresentation = bits - 1, 0
    data.PixelData = pixels.tobytes()
    for name, value in attributes.items():
        setattr(data, name, value)
    return data


def region(x0, y0, x1, y1, **more):
    """One item of the sequence of ultrasound regions."""
    item = Dataset()
    item.RegionSpatialFormat, item.RegionDataType, item.RegionFlags = 1, 1, 0
    item.RegionLocationMinX0, item.RegionLocationMinY0 = x0, y0
    item.RegionLocationMaxX1, item.RegionLocationMaxY1 = x1, y1
    for name, value in more.items():
        setattr(item, name, value)
    return item


def saved(data):
    """The data set as a file's bytes."""
    out = io.BytesIO()
    pydicom.dcmwrite(out, data, enforce_file_format=True)
    return out.getvalue()
