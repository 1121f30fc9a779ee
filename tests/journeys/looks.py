"""What is wrong with a page for whoever sees little, enlarges it, or cannot tell colours apart."""

from __future__ import annotations

from typing import Any

from axe_playwright_python.sync_playwright import Axe

SCHEMES = ("light", "dark")
NARROW = {"width": 320, "height": 640}  # 1280 px at 400%: reflow, WCAG 1.4.10
ENLARGED = {"width": 640, "height": 400}  # 1280 px at 200%: WCAG 1.4.4


def axe(page: Any, scheme: str) -> list[str]:
    """What axe finds with the colours of `scheme`: by every rule in the light, and by what is
    different in the dark, the contrast, there."""
    page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
    options: dict[str, Any] = {"resultTypes": ["violations"]}  # what is fine costs most to tell
    if scheme != SCHEMES[0]:
        options["runOnly"] = {"type": "rule", "values": ["color-contrast"]}
    return [
        f"{scheme}: {one['id']} {[node['target'] for node in one['nodes']][:3]}"
        for one in Axe().run(page, options=options).response["violations"]
    ]


def overflow(page: Any, viewport: dict[str, int]) -> list[str]:
    """What reaches beyond the right edge where the page is wider than a screen of that size."""
    before = page.viewport_size
    page.set_viewport_size(viewport)
    wide = page.evaluate(
        """() => {
            const root = document.documentElement;
            if (root.scrollWidth <= root.clientWidth) return [];
            const wide = [...document.querySelectorAll("body *")]
                .filter((el) => el.getBoundingClientRect().right > root.clientWidth + 1)
                .map((el) => `${el.tagName.toLowerCase()}.${el.className}`);
            return [`${root.scrollWidth} px wide`, ...wide.slice(0, 5)];
        }"""
    )
    page.set_viewport_size(before)
    return [f"{what} at {viewport['width']} px" for what in wide]


def looked_at(page: Any) -> None:
    """Nothing is wrong with the page as it stands."""
    found = [said for scheme in SCHEMES for said in axe(page, scheme)] + overflow(page, NARROW)
    page.emulate_media(color_scheme="light")
    assert found == [], f"{page.url}: {found}"
