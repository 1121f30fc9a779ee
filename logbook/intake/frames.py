"""Frames of a clip between its decoder and its encoder: as they are meant to be seen, and waiting.

What waits for the mask is without loss: the clip's own coded pictures where they can be copied
(`coded`), else bare planes while that is little, which cost no more than writing them, else Ut
Video in NUT, a third of the size and almost as fast.
Runs in the child process only.
"""

import mmap
from collections.abc import Iterable, Iterator
from fractions import Fraction
from typing import BinaryIO

import av
import numpy as np
from av.video.reformatter import VideoReformatter

from logbook.intake import coded, sector, stills
from logbook.intake.coded import FULL_RANGE, Meant
from logbook.intake.facts import Facts, Refused
from logbook.intake.marks import LIGHT
from logbook.intake.masks import Box

LIMITED_RANGE = 1
SMPTE170M = 6
BLACK = (16, 128, 128)  # in limited range, as every waiting frame is
BARE_BYTES = 128 * 1024 * 1024
BARE = b"bare planes\n"
GREY, COLOUR = b"g", b"c"
NEUTRAL = 128


# One for all frames: a frame's own would be set up anew each time, with threads of its own.
_reformatter = VideoReformatter()


class WorkingWriter:
    """Writes frames without loss, and keeps one from the middle for the preview.

    `expected` frames, where the file says how many; it decides only how they are written, which
    is for `copy` where their coded pictures wait.
    """

    def __init__(
        self, working: BinaryIO, expected: int = 0, copy: coded.Copy | None = None
    ) -> None:
        self._working, self._expected, self._copy = working, expected, copy
        self._waiting: _Bare | _Packed | coded.Copy | None = None
        self._kept: av.VideoFrame | None = None
        self.glimpses = sector.Glimpses()
        self.count = self.width = self.height = 0
        self.turned = False

    def add_upright(self, frame: av.VideoFrame) -> None:
        """Append a frame as a decoder gives it."""
        how = coded.meant(frame)
        self.turned = how.turns % 2 == 1
        self.add(upright(frame, how))

    def add(self, frame: av.VideoFrame) -> None:
        """Append a frame in yuv420p, limited range, even sides, all of one size."""
        if self._waiting is None:
            self.width, self.height = frame.width, frame.height
            whole = self._expected * frame.width * frame.height * 3 // 2
            form = _Bare if 0 < whole <= BARE_BYTES else _Packed
            self._waiting = self._copy or form(self._working, frame.width, frame.height)
        elif (frame.width, frame.height) != (self.width, self.height):
            raise Refused("damaged")
        # The frame at the highest power of two: always in the second half, known without counting.
        if self.count & (self.count - 1) == 0:
            self._kept = frame
        self.glimpses.add(planes(frame)[0])
        self._waiting.add(frame, self.count)
        self.count += 1

    @property
    def brightness(self) -> np.ndarray | None:
        """Of the frame that is kept for the preview."""
        return None if self._kept is None else planes(self._kept)[0]

    def close(self, poster: BinaryIO) -> None:
        """Finish the file and write the preview. Raises Refused where no frame came."""
        if self._waiting is None or self._kept is None:
            raise Refused("damaged")
        self._waiting.close()
        stills.write_poster(self._kept.to_image(), poster, stills.PREVIEW_SIDE)


def waiting(working: BinaryIO, facts: Facts) -> Iterator[av.VideoFrame]:
    """The frames that `WorkingWriter` wrote, each the caller's own to change."""
    head = working.read(len(coded.MARK))
    working.seek(0)
    if head == coded.MARK:
        for frame, how in coded.read(working):
            frame = upright(frame, how)
            if (frame.width, frame.height) != (facts.width, facts.height):
                raise Refused("damaged")
            frame.make_writable()
            yield frame
        return
    if not head.startswith(BARE):
        with av.open(working, "r", format="nut") as container:
            for frame in container.decode(video=0):
                frame.make_writable()
                yield frame
        return
    sizes = [one.size for one in planes(av.VideoFrame(facts.width, facts.height, "yuv420p"))]
    with mmap.mmap(working.fileno(), 0, access=mmap.ACCESS_READ) as memory:
        at = len(BARE)
        while at < len(memory):
            grey = memory[at : at + 1] == GREY
            at += 1
            frame = av.VideoFrame(facts.width, facts.height, "yuv420p")
            for view, size in zip(planes(frame), sizes, strict=True):
                if grey and view.size < sizes[0]:
                    view[:] = NEUTRAL
                else:
                    view[:] = np.frombuffer(memory, np.uint8, size, at).reshape(view.shape)
                    at += size
            yield frame


class _Bare:
    """Plane after plane; a frame without colour is its brightness alone."""

    def __init__(self, working: BinaryIO, _width: int, _height: int) -> None:
        self._working = working
        working.write(BARE)

    def add(self, frame: av.VideoFrame, _index: int) -> None:
        luma, *chroma = planes(frame)
        grey = all((one == NEUTRAL).all() for one in chroma)
        self._working.write(GREY if grey else COLOUR)
        for plane in [luma] if grey else [luma, *chroma]:
            self._working.write(np.ascontiguousarray(plane).data)

    def close(self) -> None:
        self._working.flush()


class _Packed:
    """Ut Video in NUT."""

    def __init__(self, working: BinaryIO, width: int, height: int) -> None:
        self._out = av.open(working, "w", format="nut")
        self._stream = self._out.add_stream("utvideo", rate=25)
        self._stream.width, self._stream.height = width, height
        self._stream.pix_fmt = "yuv420p"
        self._stream.codec_context.thread_count = 1

    def add(self, frame: av.VideoFrame, index: int) -> None:
        frame.pts, frame.time_base = index, Fraction(1, 25)
        self._out.mux(self._stream.encode(frame))

    def close(self) -> None:
        self._out.mux(self._stream.encode())
        self._out.close()


def upright(frame: av.VideoFrame, how: Meant) -> av.VideoFrame:
    """The frame as it is meant to be seen: turned, 8 bits, yuv420p, limited range, even sides.

    Lines of two fields stay as they lie; nothing is made up between them.
    """
    if frame.format.name != "yuv420p" or how.full:
        frame = _limited(frame, full=how.full)
    if not (how.turns or frame.width % 2 or frame.height % 2):
        return frame
    luma, *chroma = planes(frame)
    return from_planes([np.rot90(one, how.turns) for one in (_padded(luma), *chroma)])


def even(picture: np.ndarray, *, ybr: bool = False) -> av.VideoFrame:
    """Grey or colour pixels as a frame, the last row and column doubled where a side is odd.

    `ybr`: the channels are brightness and two of colour (ITU-R BT.601 in full range, as in JPEG)
    instead of red, green and blue.
    """
    picture = _padded(picture)
    if ybr:
        picture, form = picture.transpose(2, 0, 1), "yuv444p"
    else:
        form = "gray" if picture.ndim == 2 else "rgb24"
    frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(picture), format=form)
    return _limited(frame, full=True, space=SMPTE170M if form == "rgb24" else None)


def _limited(frame: av.VideoFrame, *, full: bool, space: int | None = None) -> av.VideoFrame:
    """In yuv420p and limited range; `space` where red, green and blue are to become colour."""
    return _reformatter.reformat(
        frame,
        format="yuv420p",
        dst_colorspace=space,
        src_color_range=FULL_RANGE if full else LIMITED_RANGE,
        dst_color_range=LIMITED_RANGE,
        threads=1,
    )


def _padded(picture: np.ndarray) -> np.ndarray:
    height, width = picture.shape[:2]
    if not (width % 2 or height % 2):
        return picture
    sides = ((0, height % 2), (0, width % 2), (0, 0))[: picture.ndim]
    return np.pad(picture, sides, mode="edge")


def planes(frame: av.VideoFrame) -> list[np.ndarray]:
    """The planes of a yuv420p frame as views (height, width) into it."""
    views = []
    for plane in frame.planes:
        rows = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
        views.append(rows[:, : plane.width])
    return views


def from_planes(three: list[np.ndarray]) -> av.VideoFrame:
    """A yuv420p frame from its planes."""
    height, width = three[0].shape
    frame = av.VideoFrame(width, height, "yuv420p")
    for view, plane in zip(planes(frame), three, strict=True):
        view[:] = plane
    return frame


def cover(frame: av.VideoFrame, boxes: Iterable[Box], drawn: Iterable[Box] = ()) -> None:
    """Paint over `boxes`, in place, and light up `drawn`."""
    luma, *chroma = planes(frame)
    for view, value, scale in zip((luma, *chroma), BLACK, (1, 2, 2), strict=True):
        for x0, y0, x1, y1 in boxes:
            view[y0 // scale : -(-y1 // scale), x0 // scale : -(-x1 // scale)] = value
    for x0, y0, x1, y1 in drawn:
        luma[y0:y1, x0:x1] = LIGHT
