"""What is kept looks like what came, outside of what was covered.

Structural similarity as published: Wang, Bovik, Sheikh, Simoncelli, IEEE Trans Image Process
2004;13:600-12, with its own constants (K1 0.01, K2 0.03) and window (11 by 11, Gaussian, sigma
1.5). The bound of 0.98 is ours. The scans are those of the packages `pydicom` and `pydicom-data`.
"""

import io

import av
import numpy as np
import pydicom
import pytest
from PIL import Image
from pydicom.data import get_testdata_file
from scipy.ndimage import gaussian_filter

from logbook.intake.facts import Day, Rectangle
from logbook.intake.runner import Finished, Runner, Stripped
from tests.logbook.intake import samples

MASK = [Rectangle(0, 0, 1, 0.1), Rectangle(0, 0.92, 1, 1)]
ROWS = (0.16, 0.86)  # of the height: no window reaches into what is covered
LEAST = 0.98


def ssim(a, b):
    """The index of two grey pictures, a value a pixel."""
    a, b = a.astype(np.float64), b.astype(np.float64)

    def mean(picture):
        return gaussian_filter(picture, 1.5, truncate=5 / 1.5)

    c1, c2 = (0.01 * 255) ** 2, (0.03 * 255) ** 2
    mu_a, mu_b = mean(a), mean(b)
    var_a, var_b = mean(a * a) - mu_a**2, mean(b * b) - mu_b**2
    both = mean(a * b) - mu_a * mu_b
    return ((2 * mu_a * mu_b + c1) * (2 * both + c2)) / (
        (mu_a**2 + mu_b**2 + c1) * (var_a + var_b + c2)
    )


def test_the_index_is_one_for_equals_and_low_for_strangers():
    one, other = samples.pattern(seed=1), samples.pattern(seed=2)[::-1]
    assert np.allclose(ssim(one, one), 1)
    assert ssim(one, other).mean() < 0.7


def likeness(before, after):
    """The least mean index of any of the pictures, outside of what is covered."""
    assert len(before) == len(after)
    rows = slice(*(round(share * before[0].shape[0]) for share in ROWS))
    return min(ssim(a, b)[rows].mean() for a, b in zip(before, after, strict=True))


def in_grey(pixels):
    return np.asarray(Image.fromarray(pixels).convert("L"))


def shown(clip, every):
    with av.open(io.BytesIO(clip)) as container:
        pictures = enumerate(container.decode(video=0))
        return [in_grey(one.to_ndarray(format="rgb24")) for n, one in pictures if n % every == 0]


def stored(content, every):
    frames = pydicom.pixels.iter_pixels(pydicom.dcmread(io.BytesIO(content)))
    return [in_grey(pixels) for n, pixels in enumerate(frames) if n % every == 0]


def through(runner, content):
    stripped = runner.strip([content], day=Day("2026-03-04"))
    assert isinstance(stripped, Stripped), stripped
    finished = runner.finish([stripped.working[:]], facts=stripped.facts, mask=MASK)
    assert isinstance(finished, Finished), finished
    return finished


@pytest.fixture(scope="module", params=["h264", "vp9"])
def runner(request):
    one = Runner(codec=request.param)
    yield one
    one.close()


CINES = {"examples_ybr_color.dcm": 5, "color3d_jpeg_baseline.dcm": 12}


@pytest.mark.parametrize("name", CINES)
def test_a_cine(runner, name, capsys):
    with open(get_testdata_file(name, download=False), "rb") as file:
        content = file.read()
    every = CINES[name]
    found = likeness(stored(content, every), shown(through(runner, content).master[:], every))
    with capsys.disabled():
        print(f"\n{name} as {runner.codec}: {found:.4f}")
    assert found >= LEAST


def test_a_clip(runner):
    """An H.264 clip made of the same scan, as a phone or a machine would export it."""
    path = get_testdata_file("color3d_jpeg_baseline.dcm", download=False)
    out = io.BytesIO()
    with av.open(out, "w", format="mp4") as target:
        stream = target.add_stream("libx264", rate=25, options={"crf": "20"})
        stream.width, stream.height, stream.pix_fmt = 640, 480, "yuv420p"
        for pixels in list(pydicom.pixels.iter_pixels(path))[:40]:
            target.mux(stream.encode(av.VideoFrame.from_ndarray(pixels, format="rgb24")))
        target.mux(stream.encode())
    kept = through(runner, out.getvalue()).master[:]
    assert likeness(shown(out.getvalue(), 8), shown(kept, 8)) >= LEAST


def test_a_photograph(runner):
    path = get_testdata_file("JPGLosslessP14SV1_1s_1f_8b.dcm", download=False)
    out = io.BytesIO()
    Image.fromarray(pydicom.dcmread(path).pixel_array).save(out, "JPEG", quality=85)
    before = in_grey(np.asarray(Image.open(io.BytesIO(out.getvalue()))))
    after = Image.open(io.BytesIO(through(runner, out.getvalue()).master[:]))
    assert likeness([before], [in_grey(np.asarray(after))]) >= LEAST
