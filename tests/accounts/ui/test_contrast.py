"""Contrast of every pair that the stylesheet puts together, read from its custom properties.

Formula and limits: WCAG 2.2, definitions of relative luminance and contrast ratio; success
criteria 1.4.3 (text, 4.5), 1.4.11 (drawings and controls, 3).
"""

import re
from pathlib import Path

import pytest

import accounts.ui

SHEET = (Path(accounts.ui.__file__).parent / "static/ui/look.css").read_text("utf-8")

TEXT = 4.5
DRAWN = 3.0

# (foreground, background, least ratio)
PAIRS = [
    ("ink", "paper", 7.0),
    ("ink", "sheet", 7.0),
    ("ink", "gel-1", TEXT),
    ("ink", "gel-2", TEXT),
    ("ink-soft", "paper", TEXT),
    ("ink-soft", "sheet", TEXT),
    ("ink-soft", "gel-1", TEXT),
    ("gel-4", "paper", TEXT),
    ("gel-4", "sheet", TEXT),
    ("gel-4", "gel-1", TEXT),
    ("gel-5", "paper", TEXT),
    ("gel-5", "sheet", TEXT),
    ("on-gel", "gel-4", TEXT),
    ("on-gel", "gel-5", TEXT),
    ("paper", "ink", TEXT),
    ("edge", "paper", DRAWN),
    ("edge", "sheet", DRAWN),
    ("gel-3", "paper", DRAWN),
    ("gel-3", "gel-1", DRAWN),
    ("gel-4", "gel-1", DRAWN),
    ("paper", "gel-4", DRAWN),
    ("image-ink", "image", TEXT),
]


def luminance(colour: str) -> float:
    channels = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    red, green, blue = (
        c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def ratio(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def properties(block: str) -> dict[str, str]:
    return dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{6})\b", block))


def themes() -> dict[str, dict[str, str]]:
    tokens = SHEET[SHEET.index("@layer tokens {") : SHEET.index("@layer reset {")]
    light_part, rest = tokens.split("@media (prefers-color-scheme: dark)")
    dark_part, room_part = rest.split(".room {")
    print_part = SHEET[SHEET.index("@media print {") :]
    light = properties(light_part)
    return {
        "light": light,
        "dark": {**light, **properties(dark_part)},
        "room": {**light, **properties(room_part)},
        "print": {**light, **properties(print_part)},
    }


def test_the_formula_against_the_definition():
    # 21:1 is the definition's own end of the scale; #767676 as the lightest grey that passes 4.5
    # on white is common knowledge of the trade, from memory.
    assert ratio("#000000", "#ffffff") == pytest.approx(21)
    assert ratio("#767676", "#ffffff") >= 4.5 > ratio("#777777", "#ffffff")


@pytest.mark.parametrize("theme", ["light", "dark", "room", "print"])
def test_every_pair_has_its_contrast(theme):
    colours = themes()[theme]
    found = {
        f"{front} on {back}": round(ratio(colours[front], colours[back]), 2)
        for front, back, least in PAIRS
        if ratio(colours[front], colours[back]) < least
    }
    assert found == {}


def test_a_theme_changes_every_colour_it_must():
    light = {name for name in themes()["light"] if not name.startswith("image")}
    tokens = SHEET[SHEET.index("@layer tokens {") : SHEET.index("@layer reset {")]
    _, rest = tokens.split("@media (prefers-color-scheme: dark)")
    dark_part, room_part = rest.split(".room {")
    assert set(properties(dark_part)) == light
    assert set(properties(room_part)) == light


def test_colours_have_names():
    """Outside the tokens only print and the always dark image surfaces state a colour."""
    body = SHEET[SHEET.index("@layer reset {") : SHEET.index("@media print {")]
    assert set(re.findall(r"#[0-9a-f]{3,8}\b", body)) == {
        "#76c7c8",
        "#a9b6b3",
        "#eef2ef",
        "#000",
    }


def test_the_image_is_the_brightest_thing_in_the_reading_room():
    room = themes()["room"]
    assert max(luminance(c) for n, c in room.items() if not n.startswith("image")) < 0.65
    assert luminance(room["paper"]) < 0.005
