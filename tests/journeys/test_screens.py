"""Every main screen on a phone and at a desk, light and dark: what it looks like, and for whom
it works. WCAG 2.2 level AA as far as axe can tell; reflow at 320 px (1.4.10) and 200% (1.4.4).

The pictures in docs/screens are made where INTERSPACE_SCREENS=write; what is checked of a page is
checked each time.
"""

from __future__ import annotations

import io
import os
import time
from pathlib import Path

import pytest
from django.conf import settings
from django.utils import timezone
from PIL import Image

from tests.journeys import world as filled
from tests.journeys.conftest import DESK, PHONE
from tests.journeys.looks import ENLARGED, NARROW, SCHEMES, axe, overflow
from tests.journeys.screens import Screen, World, still
from tests.support.processes import ROOT

pytestmark = [pytest.mark.journey, pytest.mark.long(300)]

KEPT = ROOT / "docs" / "screens"
SIZES = {"phone": PHONE, "desk": DESK}
MOST_BYTES = 120_000


@pytest.fixture
def world(transactional_db):
    folder = Path(settings.DATA_DIR).parent / "clips"  # drawn once a run
    files = filled.fill(now=timezone.now(), folder=folder)
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


class Album:
    """Makes the pictures of one screen and collects what is wrong with it."""

    def __init__(self, folder: Path, *, keeps: bool) -> None:
        self.folder, self.keeps = folder, keeps
        self.names: set[str] = set()
        self.problems: list[str] = []

    def visit(self, page, screen: Screen, size: str) -> None:
        answer = page.goto(screen.path)
        if answer.status != 200:
            self.problems.append(f"{screen.name} ({size}): {answer.status}")
            return
        if screen.then:
            screen.then(page)
        for scheme in SCHEMES:
            self.keep(f"{screen.name}-{size}-{scheme}", page, scheme)
        still(page)
        # The page is the same at both sizes: by every rule at the first, in the dark at the other.
        scheme = SCHEMES[screen.sizes.index(size)]
        narrow = [NARROW] if size == "phone" else [NARROW, ENLARGED]
        said = axe(page, scheme) + [what for one in narrow for what in overflow(page, one)]
        self.problems += [f"{screen.name} ({size}) {what}" for what in said]

    def keep(self, name: str, page, scheme: str) -> None:
        self.names.add(name)
        if not self.keeps:
            return
        page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
        still(page)
        picture = small(page.screenshot(animations="disabled"))
        if Image.open(io.BytesIO(picture)).convert("L").getextrema() == (0, 0):
            self.problems.append(f"{name} is black")
        if len(picture) > MOST_BYTES:
            self.problems.append(f"{name} has {len(picture)} bytes")
        (self.folder / f"{name}.png").write_bytes(picture)


def test_every_main_screen(world, screen):
    writes = os.environ.get("INTERSPACE_SCREENS") == "write"
    album, screens, began = Album(KEPT, keeps=writes), world.screens(), time.monotonic()
    pages = {}
    for one in screens:  # in order: what is revealed once stays revealed
        for size in one.sizes:
            if (one.who, size) not in pages:
                who = one.who and world.persons[one.who]
                pages[one.who, size] = screen(who, **SIZES[size])
            album.visit(pages[one.who, size], one, size)
    print(f"N = {len(album.names)} looks at {len(screens)} screens in "
          f"{time.monotonic() - began:.0f} s")  # fmt: skip
    if writes:
        (KEPT / "README.md").write_text(index(screens), "utf-8")
    assert album.problems == []
    assert album.names == {name for one in screens for name in one.pictures}
    # The pictures kept are those of the screens there are, and the index names each.
    assert {path.stem for path in KEPT.glob("*.png")} == album.names
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
        lines += ["", f"## {one.says}", "", "| light | dark |", "|---|---|"]
        for size in one.sizes:
            cells = (f"![{one.says}: {size}, {scheme}]({one.name}-{size}-{scheme}.png)"
                     for scheme in SCHEMES)  # fmt: skip
            lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"
