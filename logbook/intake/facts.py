"""The words that pass between the service and the process that opens files.

All of it survives a trip through JSON: `as_json` on any of these, `from_json` back.
"""

from dataclasses import asdict, dataclass, field
from typing import Any, Literal, Self

STILL, CLIP = "still", "clip"
UNEVEN = 0.4  # of a frame: whoever aims at its middle hits it below half of one


def _(sentence: str) -> str:
    """Marks a sentence for translation; whoever shows it translates."""
    return sentence


SENTENCES = {
    "empty": _("The file is empty. Choose the file again and send it once more."),
    "too_large": _(
        "The file is larger than %(limit_mb)d MB. Save a shorter clip, or export it smaller."
    ),
    "not_known": _(
        "This is not an image or clip that can be read here. Send a JPEG or PNG picture, "
        "an MP4, MOV, WebM or AVI clip, or a DICOM ultrasound file."
    ),
    "damaged": _(
        "The file is damaged and cannot be read to its end. Export it again from where it was "
        "recorded and send the new file."
    ),
    "cut_short": _(
        "The file ends before its pictures do, as if copying it had been interrupted. "
        "Copy or export it again and send the new file."
    ),
    "too_many_pixels": _(
        "The picture is %(width)d by %(height)d, more than can be handled here. Export it smaller."
    ),
    "too_small": _(
        "The picture is only %(width)d by %(height)d. Send the image itself, not its thumbnail."
    ),
    "too_long": _(
        "The clip is longer than %(seconds)d seconds or %(frames)d frames. "
        "Cut it to the part that shows the sign."
    ),
    "no_picture": _(
        "The file holds no picture. Send the image or clip itself, not a report or a sound."
    ),
    "several_pictures": _(
        "The file holds several pictures. Send each as a file of its own, or a clip as MP4."
    ),
    "codec": _(
        "The clip is compressed in a way that is not read here (%(codec)s). "
        "Export it as an MP4 clip with H.264."
    ),
    "syntax": _(
        "The DICOM file is compressed in a way that is not read here. "
        "Export it uncompressed or as JPEG, or export an MP4 clip."
    ),
    "not_ultrasound": _(
        "The DICOM file is not an ultrasound image (its kind is %(modality)s). "
        "Send the ultrasound image."
    ),
    "too_heavy": _(
        "Reading the file took more memory or time than is allowed. "
        "Export it shorter or smaller and send it again."
    ),
    "all_covered": _(
        "The rectangles cover the whole picture, so nothing would be left to read. "
        "Make them smaller."
    ),
    "rectangles": _(
        "A rectangle lies outside the picture or has no area. Draw it again inside the picture."
    ),
    "interrupted": _(
        "Reading the file was interrupted here, not by the file. It is tried again by itself."
    ),
    "lost": _(
        "The file is no longer here. It was not kept anywhere else; send it again from where it "
        "was recorded."
    ),
    "expired": _(
        "What is hidden was not confirmed within 24 hours, so the file was removed. "
        "Send it again and confirm."
    ),
    "unfinished": _(
        "The file did not come whole within 24 hours, so what had come was removed. "
        "Send it again from where it was recorded."
    ),
    "no_walls": _(
        "This machine cannot open files safely, so the file was not opened. "
        "Tell whoever runs the service; `captures doctor` says what is missing."
    ),
}


class Refused(Exception):
    """Raised inside the child where a file cannot be taken; never leaves the runner."""

    def __init__(self, code: str, **params: Any) -> None:
        super().__init__(code)
        self.refusal = Refusal(code, params)


@dataclass(frozen=True)
class Refusal:
    """Why a file was not taken. `again`: not the file's fault, the same file may be retried.

    `trace` names the error's kind and place for the log; it never holds text of the file.
    """

    code: str
    params: dict[str, Any] = field(default_factory=dict)
    again: bool = False
    trace: str = ""

    @property
    def template(self) -> str:
        """The sentence before translation and filling in."""
        return SENTENCES[self.code]

    @property
    def sentence(self) -> str:
        """What is wrong and what to do."""
        return self.template % self.params if self.params else self.template


@dataclass(frozen=True)
class Limits:
    """What a file may hold; looked at in its header, before anything is decoded."""

    file_bytes: int = 256 * 1024 * 1024
    still_pixels: int = 50_000_000
    frame_pixels: int = 3840 * 2160
    smallest_side: int = 32
    frames: int = 3600
    seconds: int = 120
    clip_pixels: int = 4_000_000_000

    def check_still(self, width: int, height: int) -> None:
        """Raises Refused."""
        self._check_frame(width, height, self.still_pixels)

    def check_clip(self, width: int, height: int, frames: int, seconds: float) -> None:
        """Raises Refused. `frames` and `seconds` are 0 where the header does not say."""
        self._check_frame(width, height, self.frame_pixels)
        if (
            frames > self.frames
            or seconds > self.seconds
            or width * height * frames > self.clip_pixels
        ):
            allowed = min(self.frames, self.clip_pixels // (width * height))
            raise Refused("too_long", seconds=self.seconds, frames=allowed)

    def _check_frame(self, width: int, height: int, most: int) -> None:
        if width * height > most or max(width, height) > 16384:
            raise Refused("too_many_pixels", width=width, height=height)
        if min(width, height) < self.smallest_side:
            raise Refused("too_small", width=width, height=height)


@dataclass(frozen=True)
class Rectangle:
    """A rectangle in fractions of the picture's width and height, origin at the upper left."""

    x0: float
    y0: float
    x1: float
    y1: float

    @property
    def valid(self) -> bool:
        """Inside the picture and with an area (false for what is not a number, too)."""
        return 0 <= self.x0 < self.x1 <= 1 and 0 <= self.y0 < self.y1 <= 1


@dataclass(frozen=True)
class Suggestions:
    """What the file says of itself, offered to the person, never taken as true.

    `depth_mm` is the extent of the image region below its reference line; it may over-state the
    depth set on the machine by a fifth. `frame_rate` in frames a second, `probe_mhz` in MHz,
    `pixel_mm` millimetres a pixel downward, `region` the first image region, `zero_at` where its
    depth begins, as a fraction of the picture's height (its upper edge where the file says none).
    """

    depth_mm: float | None = None
    frame_rate: float | None = None
    probe_mhz: float | None = None
    pixel_mm: float | None = None
    region: Rectangle | None = None
    zero_at: float | None = None


@dataclass(frozen=True)
class Facts:
    """What is known of a stripped still or clip.

    `times` counts ticks of 1/`ticks_per_second` from the first frame, one entry a frame (empty
    for a still); `mask` covers what lies outside the image: as the file names it (`mask_from`
    "regions"), else as it stands out ("found"), else a band at the top and one at the bottom
    ("bands"). `text` is where letters were found, where they were looked for (`text_sought`).
    `file_date` compares the file's own date with the day given: agrees, differs or absent.
    `aspect` is a pixel's width to its height.
    """

    kind: Literal["still", "clip"]
    width: int
    height: int
    frames: int
    duration_ms: int
    ticks_per_second: int
    times: list[int]
    times_known: bool
    mask: list[Rectangle]
    mask_from: Literal["regions", "found", "bands"]
    regions_clamped: bool
    suggestions: Suggestions
    file_date: Literal["agrees", "differs", "absent"]
    lossless: bool
    source: str
    colour: dict[str, int] = field(default_factory=dict)
    aspect: tuple[int, int] = (1, 1)
    text: list[Rectangle] = field(default_factory=list)
    text_sought: bool = False

    @property
    def frame_starts(self) -> list[int]:
        """When each frame of a clip begins, in ms, where counting by the mean rate would show
        another; empty where the frames come evenly."""
        step = self.duration_ms * self.ticks_per_second / 1000 / max(self.frames, 1)
        if all(abs(at - index * step) < UNEVEN * step for index, at in enumerate(self.times)):
            return []
        return [round(at * 1000 / self.ticks_per_second) for at in self.times]

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return asdict(self)

    @classmethod
    def from_json(cls, plain: dict[str, Any]) -> Self:
        """The inverse of `as_json`."""
        suggestions = dict(plain["suggestions"])
        region = suggestions.pop("region")
        return cls(
            **{
                **plain,
                "mask": [Rectangle(**one) for one in plain["mask"]],
                "aspect": tuple(plain["aspect"]),
                "text": [Rectangle(**one) for one in plain["text"]],
                "suggestions": Suggestions(
                    **suggestions, region=Rectangle(**region) if region else None
                ),
            }
        )


@dataclass(frozen=True)
class Day:
    """The day the exam was performed, as the programme's clock has it.

    `utc_offset_minutes` turns times that a file gives in UTC into that clock's.
    """

    iso: str
    utc_offset_minutes: int = 0
