"""Clips inside DICOM: an MPEG-2, H.264 or HEVC stream as the pixel data (PS3.5, 8.2.5 to 8.2.12).

Runs in the child process only.
"""

import io
from typing import BinaryIO

import av
from pydicom.encaps import generate_frames
from pydicom.uid import UID

from logbook.intake import clips, frames
from logbook.intake.facts import Limits, Refused

# PS3.6 Table A-1; F: the same in several fragments.
FORMS = {
    "1.2.840.10008.1.2.4.100": "mpegvideo", "1.2.840.10008.1.2.4.100.1": "mpegvideo",
    "1.2.840.10008.1.2.4.101": "mpegvideo", "1.2.840.10008.1.2.4.101.1": "mpegvideo",
    "1.2.840.10008.1.2.4.102": "h264", "1.2.840.10008.1.2.4.102.1": "h264",
    "1.2.840.10008.1.2.4.103": "h264", "1.2.840.10008.1.2.4.103.1": "h264",
    "1.2.840.10008.1.2.4.104": "h264", "1.2.840.10008.1.2.4.104.1": "h264",
    "1.2.840.10008.1.2.4.105": "h264", "1.2.840.10008.1.2.4.105.1": "h264",
    "1.2.840.10008.1.2.4.107": "hevc", "1.2.840.10008.1.2.4.108": "hevc",
}  # fmt: skip


def is_clip(syntax: UID) -> bool:
    """Whether the pixel data of this transfer syntax is one stream instead of frames."""
    return syntax in FORMS


def rewrite(
    source: BinaryIO, syntax: UID, working: BinaryIO, *, limits: Limits
) -> tuple[frames.WorkingWriter, clips.Timing, dict[str, int]]:
    """Every frame of the stream into the working copy; its own times; its colours.

    `source` stands behind the head of the pixel data. Raises Refused.
    """
    stream_bytes = next(generate_frames(source, number_of_frames=1))
    form = _form(stream_bytes[:8], FORMS[syntax])
    options = clips.options(form)
    with av.open(io.BytesIO(stream_bytes), "r", format=form, options=options) as container:
        if not container.streams.video:
            raise Refused("no_picture")
        stream = container.streams.video[0]
        writer, timing = clips.rewrite(container, stream, working, limits=limits)
        return writer, timing, clips.colour_of(stream)


def _form(head: bytes, bare: str) -> str:
    """In which container the stream lies; none of the standard's texts forbids a bare one."""
    if head[4:8] == b"ftyp":
        return "mov"
    if head[:1] == b"\x47":
        return "mpegts"
    if head[:4] == b"\0\0\1\xba":
        return "mpeg"
    return bare
