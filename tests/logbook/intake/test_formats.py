"""Every container, codec and still format that is taken: frames, times and pixels as they went in.

The decoder decides what a file is; nothing here has a name.
"""

import io
import struct
from fractions import Fraction

import av
import numpy as np
import pytest
from PIL import Image
from pydicom.encaps import encapsulate
from pydicom.uid import UID
from scipy.ndimage import gaussian_filter
from skimage.metrics import structural_similarity

from logbook.intake.facts import Limits, Rectangle, Refusal
from logbook.intake.runner import Finished, Runner, Stripped, pieces
from tests.logbook.intake import samples

CLIPS = {
    "H.264 in MP4": ("libx264", "mp4", {}),
    "H.264 in MOV": ("libx264", "mov", {}),
    "H.264 in Matroska": ("libx264", "matroska", {}),
    "H.264 with B-frames in AVI": ("libx264", "avi", {}),
    "HEVC in MP4": ("libx265", "mp4", {"options": {"x265-params": "log-level=none"}}),
    "HEVC of ten bits in MOV": (
        "libx265", "mov",
        {"options": {"x265-params": "log-level=none"}, "pix_fmt": "yuv420p10le"},
    ),
    "VP8 in WebM": ("libvpx", "webm", {"options": {"crf": "10", "b": "2M"}}),
    "VP9 in WebM": ("libvpx-vp9", "webm", {"options": {"crf": "20", "b": "0"}}),
    "VP9 in MP4": ("libvpx-vp9", "mp4", {"options": {"crf": "20", "b": "0"}}),
    "AV1 in WebM": ("libsvtav1", "webm", {"options": {"crf": "30", "preset": "10"}}),
    "AV1 in MP4": ("libsvtav1", "mp4", {"options": {"crf": "30", "preset": "10"}}),
    "MPEG-4 in AVI": ("mpeg4", "avi", {"options": {"q": "3"}}),
    "MPEG-4 in MP4": ("mpeg4", "mp4", {"options": {"q": "3"}}),
    "Motion JPEG in AVI": ("mjpeg", "avi", {"options": {}, "pix_fmt": "yuvj420p"}),
    "Motion JPEG of 4:2:2 in MOV": ("mjpeg", "mov", {"options": {}, "pix_fmt": "yuvj422p"}),
    "Uncompressed in AVI": ("rawvideo", "avi", {"options": {}, "pix_fmt": "bgr24"}),
}  # fmt: skip


@pytest.fixture(scope="module")
def vp9():
    one = Runner(codec="vp9")
    yield one
    one.close()


def take(runner, content, mask=()):
    """Both steps; the facts and what was kept."""
    stripped = runner.strip([content], day=samples.DAY)
    assert isinstance(stripped, Stripped), stripped
    finished = runner.finish(pieces(stripped.working), facts=stripped.facts, mask=list(mask))
    assert isinstance(finished, Finished), finished
    return stripped.facts, finished.master.read()


def numbers(kept, form="mov"):
    with av.open(io.BytesIO(kept), "r", format=form) as container:
        return [
            samples.number_in(frame.to_ndarray(format="gray"))
            for frame in container.decode(video=0)
        ]


@pytest.mark.parametrize("name", CLIPS)
def test_a_clip_of_each_kind_keeps_every_frame_and_its_time(runner, name):
    codec, form, more = CLIPS[name]
    facts, kept = take(runner, samples.clip(frames=17, codec=codec, form=form, **more))
    assert numbers(kept) == list(range(17))
    assert (facts.kind, facts.frames, facts.times_known) == ("clip", 17, True)
    shown = [float(time) for time, _grey in samples.frames_of(kept)]
    # Matroska and WebM count milliseconds.
    assert shown == pytest.approx([index / 30 for index in range(17)], abs=0.00101)


@pytest.mark.parametrize("form", ["mp4", "mov", "matroska"])
def test_uneven_times_stay_uneven(runner, form):
    times = [0, 40, 50, 130, 131, 400, 401, 900]
    content = samples.clip(frames=8, times=times, ticks=1000, form=form)
    facts, kept = take(runner, content)
    assert [time for time, _grey in samples.frames_of(kept)] == [
        Fraction(one, 1000) for one in times
    ]
    assert numbers(kept) == list(range(8))
    assert facts.frames == 8


def test_a_clip_with_lines_of_two_fields_stays_as_it_lies(runner):
    """Interlaced H.264: nothing is made up between the lines."""
    content = samples.clip(frames=9, options={"crf": "6", "x264-params": "tff=1"})
    with av.open(io.BytesIO(content)) as container:
        before = [f.to_ndarray(format="gray") for f in container.decode(video=0)]
        container.seek(0)
        assert next(container.decode(video=0)).interlaced_frame
    _facts, kept = take(runner, content)
    after = [grey for _time, grey in samples.frames_of(kept)]
    assert max(np.abs(a.astype(int) - b).mean() for a, b in zip(after, before, strict=True)) < 2.5


def test_a_frame_that_is_not_square_pixels_says_so(runner):
    content = samples.clip()
    out = io.BytesIO()
    with av.open(io.BytesIO(content)) as source, av.open(out, "w", format="mp4") as target:
        stream = target.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = 160, 120, "yuv420p"
        stream.codec_context.sample_aspect_ratio = Fraction(16, 15)
        for frame in source.decode(video=0):
            frame.pict_type = 0
            target.mux(stream.encode(frame))
        target.mux(stream.encode())
    facts, kept = take(runner, out.getvalue())
    assert (facts.width, facts.aspect) == (160, (16, 15))
    with av.open(io.BytesIO(kept)) as container:
        assert container.streams.video[0].sample_aspect_ratio == Fraction(16, 15)


def test_what_an_edit_list_leaves_out_stays_out(runner):
    """ISO/IEC 14496-12, 8.6.6: whoever cut the clip on the phone meant to leave that out."""
    content = samples.clip(frames=24, options={"crf": "12", "bf": "0", "g": "6"})
    facts, kept = take(runner, edited(content, start_seconds=0.4))
    assert numbers(kept) == list(range(12, 24))
    assert facts.frames == 12


def edited(content, *, start_seconds):
    """The sample with an edit list that begins later."""
    at = content.index(b"elst") + 4
    count = struct.unpack(">I", content[at + 4 : at + 8])[0]
    assert count == 1
    duration, _time = struct.unpack(">Ii", content[at + 8 : at + 16])
    with av.open(io.BytesIO(content)) as container:
        ticks = container.streams.video[0].time_base.denominator
    entry = struct.pack(">Ii", round(duration - start_seconds * 1000), round(start_seconds * ticks))
    return content[: at + 8] + entry + content[at + 16 :]


@pytest.mark.parametrize("name", ["VP9 in WebM", "H.264 in Matroska", "MPEG-4 in AVI"])
def test_a_clip_that_was_cut_off_is_refused(runner, name):
    codec, form, more = CLIPS[name]
    content = samples.clip(frames=40, codec=codec, form=form, **more)
    for tenth in range(1, 10):
        refusal = runner.strip([content[: len(content) * tenth // 10]], day=samples.DAY)
        assert isinstance(refusal, Refusal), tenth
        assert refusal.code in ("cut_short", "damaged"), tenth


def moving_picture(form, times=(40, 80, 120, 200), **options):
    shown = [Image.fromarray(np.dstack([samples.numbered(i)] * 3)) for i in range(len(times))]
    out = io.BytesIO()
    shown[0].save(
        out, form, save_all=True, append_images=shown[1:], duration=list(times), **options
    )
    return out.getvalue()


@pytest.mark.parametrize(
    ("form", "options"),
    [
        ("GIF", {}),
        ("PNG", {}),
        ("WEBP", {"quality": 90}),
        ("WEBP", {"lossless": True}),
        ("AVIF", {"quality": 90}),
    ],
)
def test_a_moving_picture_is_a_clip_with_its_times(runner, form, options):
    facts, kept = take(runner, moving_picture(form, **options))
    assert (facts.kind, facts.frames, facts.times_known) == ("clip", 4, True)
    assert numbers(kept) == list(range(4))
    assert [round(float(time) * 1000) for time, _grey in samples.frames_of(kept)] == [
        0, 40, 120, 240,
    ]  # fmt: skip
    assert facts.duration_ms == 440


def test_a_gif_without_times_says_that_they_are_not_known(runner):
    facts, _kept = take(runner, moving_picture("GIF", times=(0, 0, 0)))
    assert (facts.times_known, facts.duration_ms) == (False, 300)


def test_a_still_gif_is_a_still_without_loss(runner):
    pixels = samples.pattern() // 2 * 2
    _facts, kept = take(runner, samples.picture(pixels, "GIF"))
    with Image.open(io.BytesIO(kept)) as picture:
        assert (np.array(picture.convert("L")) == pixels).all()


def test_a_gif_of_too_many_pictures_is_refused_from_its_blocks():
    strict = Runner(limits=Limits(frames=3))
    try:
        assert strict.strip([moving_picture("GIF")], day=samples.DAY).code == "too_long"
    finally:
        strict.close()


@pytest.mark.parametrize("compression", ["raw", "tiff_lzw", "tiff_adobe_deflate", "packbits"])
@pytest.mark.parametrize("mode", ["grey", "colour"])
def test_a_tiff_without_loss_stays_so(runner, compression, mode):
    pixels = samples.pattern() if mode == "grey" else samples.colour()
    _facts, kept = take(runner, samples.picture(pixels, "TIFF", compression=compression))
    with Image.open(io.BytesIO(kept)) as picture:
        assert picture.format == "PNG"
        assert (np.array(picture) == pixels).all()


@pytest.mark.parametrize("make", ["jpeg", "sixteen", "big endian", "cmyk"])
def test_other_tiffs(runner, make):
    pixels = samples.colour()
    out = io.BytesIO()
    match make:
        case "jpeg":
            Image.fromarray(pixels).save(out, "TIFF", compression="jpeg", quality=95)
        case "sixteen":
            Image.fromarray(samples.pattern().astype(np.uint16) << 8).save(out, "TIFF")
            pixels = samples.pattern()
        case "big endian":
            Image.fromarray(pixels).save(out, "TIFF", big_tiff=False)
            out = io.BytesIO(big_endian(pixels))
        case "cmyk":
            Image.fromarray(pixels).convert("CMYK").save(out, "TIFF")
    _facts, kept = take(runner, out.getvalue())
    with Image.open(io.BytesIO(kept)) as picture:
        assert np.abs(np.array(picture).astype(int) - pixels).mean() < 4


def big_endian(pixels):
    """A TIFF 6.0 file in the other byte order: eight-bit colour in one strip."""
    height, width = pixels.shape[:2]
    entries = [
        (256, 4, 1, width), (257, 4, 1, height), (258, 3, 3, 8 + 2 + 9 * 12 + 4),
        (259, 3, 1, 1 << 16), (262, 3, 1, 2 << 16), (273, 4, 1, 8 + 2 + 9 * 12 + 4 + 6),
        (277, 3, 1, 3 << 16), (278, 4, 1, height), (279, 4, 1, pixels.size),
    ]  # fmt: skip
    head = b"MM\0*" + struct.pack(">I", 8) + struct.pack(">H", len(entries))
    body = b"".join(struct.pack(">HHII", *one) for one in entries) + b"\0\0\0\0"
    return head + body + struct.pack(">3H", 8, 8, 8) + pixels.tobytes()


def test_several_pages_are_refused(runner):
    out = io.BytesIO()
    one, two = (Image.fromarray(samples.pattern(seed=seed)) for seed in (1, 2))
    one.save(out, "TIFF", save_all=True, append_images=[two])
    assert runner.strip([out.getvalue()], day=samples.DAY).code == "several_pictures"


@pytest.mark.parametrize("options", [{"progressive": True}, {"subsampling": 0}, {"quality": 30}])
def test_kinds_of_jpeg(runner, options):
    content = samples.picture(form="JPEG", **{"quality": 95, **options})
    facts, kept = take(runner, content)
    with Image.open(io.BytesIO(content)) as before, Image.open(io.BytesIO(kept)) as after:
        difference = np.abs(np.array(before).astype(int) - np.array(after))
    assert difference.mean() < 1.5
    assert facts.source == "jpeg"


def test_a_webp_without_loss_stays_so(runner):
    pixels = samples.colour()
    _facts, kept = take(runner, samples.picture(pixels, "WEBP", lossless=True))
    with Image.open(io.BytesIO(kept)) as picture:
        assert (np.array(picture) == pixels).all()


@pytest.mark.parametrize(
    ("form", "codec", "sound"),
    [
        ("webm", "libvpx-vp9", "libopus"),
        ("matroska", "libx264", "flac"),
        ("avi", "mpeg4", "pcm_s16le"),
        ("mov", "libx264", "pcm_s16le"),
        ("mp4", "libx264", "aac"),
    ],
)
def test_sound_of_any_kind_is_left_behind(runner, form, codec, sound):
    plain = samples.clip(codec=codec, form=form, options={})
    out = io.BytesIO()
    with av.open(io.BytesIO(plain)) as source, av.open(out, "w", format=form) as target:
        pictures = target.add_stream_from_template(source.streams.video[0])
        heard = target.add_stream(sound, rate=48000, layout="mono")
        kind = "s16" if sound != "aac" else "fltp"
        for index in range(20):
            wave = np.sin(np.arange(960) / 9)[None]
            wave = (wave * 9000).astype(np.int16) if kind == "s16" else wave.astype(np.float32)
            frame = av.AudioFrame.from_ndarray(wave, format=kind, layout="mono")
            frame.sample_rate, frame.pts = 48000, index * 960
            target.mux(heard.encode(frame))
        target.mux(heard.encode())
        for packet in source.demux(video=0):
            if packet.size:
                packet.stream = pictures
                target.mux(packet)
    _facts, kept = take(runner, out.getvalue())
    with av.open(io.BytesIO(kept)) as container:
        assert [stream.type for stream in container.streams] == ["video"]
    assert numbers(kept) == list(range(12))


# --- what encoding leaves of the picture ----------------------------------------------------------


def speckled(index):
    """Blurred noise that drifts, as tissue looks."""
    rng = np.random.default_rng(5)
    noise = gaussian_filter(rng.normal(0, 1, (240, 420)), (1.0, 2.0))[:, index : index + 320]
    return np.clip(110 + 45 * noise / noise.std(), 16, 235).astype(np.uint8)


@pytest.mark.parametrize("codec", ["h264", "vp9"])
def test_what_is_not_covered_looks_the_same_in_a_clip(runner, vp9, codec):
    """Structural similarity (Wang and others, 2004; scikit-image) of at least 0.98, outside the
    mask and the block beside it."""
    data = samples.dicom(np.stack([speckled(index) for index in range(12)]), FrameTime="40")
    one = vp9 if codec == "vp9" else runner
    _facts, kept = take(one, samples.saved(data), mask=[Rectangle(0, 0, 1, 0.1)])
    with av.open(io.BytesIO(kept)) as container:
        shown = [frame.to_ndarray(format="gray") for frame in container.decode(video=0)]
    assert len(shown) == 12
    likeness = []
    for index, grey in enumerate(shown):
        # The master is in limited range: 16 to 235.
        full = np.clip((grey.astype(float) - 16) * 255 / 219, 0, 255)
        likeness.append(
            structural_similarity(full[40:], speckled(index)[40:].astype(float), data_range=255)
        )
        assert grey[:22].max() <= 30
    assert min(likeness) >= 0.98, likeness


@pytest.mark.parametrize("form", ["JPEG", "HEIF", "WEBP", "AVIF"])
def test_what_is_not_covered_looks_the_same_in_a_still(runner, form):
    pixels = speckled(0)
    content = samples.picture(np.dstack([pixels] * 3), form, quality=95)
    with Image.open(io.BytesIO(content)) as picture:
        before = np.array(picture.convert("L"))
    _facts, kept = take(runner, content, mask=[Rectangle(0, 0, 1, 0.1)])
    with Image.open(io.BytesIO(kept)) as picture:
        after = np.array(picture.convert("L"))
    assert structural_similarity(before[32:], after[32:], data_range=255) >= 0.98
    assert after[:24].max() <= 8


# --- DICOM that holds a clip ----------------------------------------------------------------------


def with_clip(syntax, stream, frames, **attributes):
    data = samples.dicom(**attributes)
    data.PixelData = encapsulate([stream])
    data["PixelData"].is_undefined_length = True
    data.NumberOfFrames = frames
    data.file_meta.TransferSyntaxUID = UID(syntax)
    data.PhotometricInterpretation, data.SamplesPerPixel = "YBR_PARTIAL_420", 3
    data.PlanarConfiguration = 0
    return samples.saved(data)


STREAMS = {
    "MPEG-2": ("1.2.840.10008.1.2.4.100", "mpeg2video", ("mpeg2video", "mpegts")),
    "H.264": ("1.2.840.10008.1.2.4.102", "libx264", ("h264", "mp4", "mpegts")),
    "HEVC": ("1.2.840.10008.1.2.4.107", "libx265", ("hevc", "mp4")),
}


@pytest.mark.parametrize(
    ("name", "form"), [(name, form) for name, row in STREAMS.items() for form in row[2]]
)
def test_a_clip_inside_dicom_in_whatever_it_lies(runner, name, form):
    """PS3.5, 8.2.5 to 8.2.12."""
    syntax, codec, _forms = STREAMS[name]
    options = {"x265-params": "log-level=none"} if codec == "libx265" else {}
    stream = samples.clip(frames=15, codec=codec, form=form, options=options)
    facts, kept = take(runner, with_clip(syntax, stream, 15, FrameTime="40.0"))
    assert numbers(kept) == list(range(15))
    assert (facts.source, facts.frames, facts.times_known) == ("dicom", 15, True)
    assert [time for time, _grey in samples.frames_of(kept)][:3] == [
        Fraction(0), Fraction(40, 1000), Fraction(80, 1000),
    ]  # fmt: skip


def test_a_clip_inside_dicom_with_fewer_frames_than_said_is_refused(runner):
    stream = samples.clip(frames=15, form="h264")
    refusal = runner.strip([with_clip("1.2.840.10008.1.2.4.102", stream, 16)], day=samples.DAY)
    assert refusal.code == "cut_short"


# --- what masters are in --------------------------------------------------------------------------


def test_masters_may_be_webm(vp9):
    times = [0, 40, 50, 130, 135, 400]
    facts, kept = take(vp9, samples.clip(frames=6, times=times, ticks=1000))
    assert numbers(kept, "matroska") == list(range(6))
    with av.open(io.BytesIO(kept), "r", format="matroska") as container:
        assert [stream.codec_context.name for stream in container.streams] == ["vp9"]
        shown = [round(float(f.pts * f.time_base) * 1000) for f in container.decode(video=0)]
    assert shown == times
    assert (facts.frames, facts.source) == (6, "h264")
    assert kept.index(b"\x1c\x53\xbb\x6b") < kept.index(b"\x1f\x43\xb6\x75")  # cues first


def test_a_master_of_either_kind_can_be_taken_in_again(vp9, runner):
    _facts, once = take(vp9, samples.clip())
    _facts, again = take(runner, once)
    assert numbers(again) == list(range(12))
