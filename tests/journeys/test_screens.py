"""Every main screen on a phone and at a desk, light and dark: what it looks like, and for whom
it works. WCAG 2.2 level AA as far as axe can tell; reflow at 320 px (1.4.10) and 200% (1.4.4).

The pictures in docs/screens are written where INTERSPACE_SCREENS=write; otherwise they are made
all the same and thrown away.
"""

from __future__ import annotations

import io
import os
import time
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from django.utils import timezone
from PIL import Image

from fixtures_demo import clips, load
from tests.journeys.conftest import DESK, PHONE
from tests.journeys.screens import WEEKLY, Screen, World, still
from tests.support.processes import ROOT

pytestmark = pytest.mark.journey

KEPT = ROOT / "docs" / "screens"
SIZES = {"phone": PHONE, "desk": DESK}
SCHEMES = ("light", "dark")
MOST_BYTES = 120_000
NARROW = {"width": 320, "height": 640}  # 1280 px at 400%
ENLARGED = {"width": 640, "height": 400}  # 1280 px at 200%


@pytest.fixture
def world(transactional_db, tmp_path):
    folder = Path(settings.DATA_DIR).parent / "clips"  # drawn once a run
    files = clips.ensure(folder)
    load.load(now=timezone.now(), folder=folder, say=lambda _: None, weekly=WEEKLY)
    return World(files["sliding-linear"])


def small(picture: bytes) -> bytes:
    """The picture with as many of 256 colours as MOST_BYTES allow."""
    plain = Image.open(io.BytesIO(picture)).convert("RGB")
    for colours in (256, 128, 64, 32):
        out = io.BytesIO()
        plain.quantize(colours, dither=Image.Dither.NONE).save(out, "PNG", optimize=True)
        if out.tell() <= MOST_BYTES:
            break
    return out.getvalue()


def overflow(page) -> list[str]:
    """What reaches beyond the right edge of a page that is wider than its screen."""
    return page.evaluate(
        """() => {
            const root = document.documentElement;
            if (root.scrollWidth <= root.clientWidth) return [];
            const wide = [...document.querySelectorAll("body *")]
                .filter((el) => el.getBoundingClientRect().right > root.clientWidth + 1)
                .map((el) => `${el.tagName.toLowerCase()}.${el.className}`);
            return [`${root.scrollWidth} px wide`, ...wide.slice(0, 5)];
        }"""
    )


def axe(page) -> list[str]:
    return [
        f"{one['id']}: {[node['target'] for node in one['nodes']][:3]}"
        for one in Axe().run(page).response["violations"]
    ]


class Album:
    """Makes the pictures of one screen and collects what is wrong with it."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.made, self.problems = folder, {}, []

    def visit(self, page, screen: Screen, size: str) -> None:
        answer = page.goto(screen.path)
        if answer.status != 200:
            self.problems.append(f"{screen.name} ({size}): {answer.status}")
            return
        if screen.then:
            screen.then(page)
        for scheme in SCHEMES:
            page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
            still(page)
            name = f"{screen.name}-{size}-{scheme}"
            self.made[name] = small(page.screenshot(animations="disabled"))
            (self.folder / f"{name}.png").write_bytes(self.made[name])
            self.problems += [f"{name}: {said}" for said in axe(page)]
        for called, viewport in (("320 px", NARROW), ("200%", ENLARGED)):
            if (called == "200%") == (size == "desk"):
                page.set_viewport_size(viewport)
                self.problems += [f"{screen.name} at {called}: {what}" for what in overflow(page)]
        page.set_viewport_size(SIZES[size]["viewport"])


def test_every_main_screen(world, screen, tmp_path):
    writes = os.environ.get("INTERSPACE_SCREENS") == "write"
    folder = KEPT if writes else tmp_path / "screens"
    folder.mkdir(exist_ok=True)
    album, screens, began = Album(folder), world.screens(), time.monotonic()
    pages = {}
    for one in screens:  # in order: what is revealed once stays revealed
        for size, options in SIZES.items():
            if (one.who, size) not in pages:
                who = one.who and world.persons[one.who]
                pages[one.who, size] = screen(who, **options)
            album.visit(pages[one.who, size], one, size)
    print(f"N = {len(album.made)} pictures of {len(screens)} screens in "
          f"{time.monotonic() - began:.0f} s")  # fmt: skip
    if writes:
        (KEPT / "README.md").write_text(index(screens), "utf-8")
    assert album.problems == []
    assert len(album.made) == len(screens) * len(SIZES) * len(SCHEMES)
    for name, picture in album.made.items():
        assert len(picture) <= MOST_BYTES, name
        assert Image.open(io.BytesIO(picture)).convert("L").getextrema() != (0, 0), name
    # The pictures kept are those of the screens there are, and the index names each.
    assert {path.stem for path in KEPT.glob("*.png")} == set(album.made)
    assert (KEPT / "README.md").read_text("utf-8") == index(screens)


def index(screens: list[Screen]) -> str:
    """docs/screens/README.md."""
    lines = [
        "# Screens",
        "",
        "Made by `tests/journeys/test_screens.py` over the invented programme that "
        "`sh deploy/demo` loads, on a phone (360 by 740) and at a desk (1280 by 800), light and "
        "dark. The reading room is dark in both. The people, the hospital and the images are "
        "invented; the clips are drawn by a program. To make them again: "
        "`INTERSPACE_SCREENS=write .venv/bin/pytest tests/journeys/test_screens.py`.",
    ]
    for one in screens:
        lines += ["", f"## {one.says}", "", "| phone | desk |", "|---|---|"]
        for scheme in SCHEMES:
            cells = (f"![{one.says}: {size}, {scheme}]({one.name}-{size}-{scheme}.png)"
                     for size in SIZES)  # fmt: skip
            lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"
