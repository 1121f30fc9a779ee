"""The drawn zones: the right codes, on the right side, large enough for a thumb."""

import pytest

from accounts.ui import chest

# A phone 320 wide with 16 of margin on both sides draws the map at this scale.
PHONE = (320 - 2 * 16) / chest.WIDTH


def box(path: str) -> tuple[float, float, float, float]:
    numbers = [float(t) for t in path.split() if not t.isalpha()]
    xs, ys = numbers[::2], numbers[1::2]
    return min(xs), min(ys), max(xs), max(ys)


def test_eight_zones_and_the_base_of_each_side():
    assert chest.SCHEMES["8b"] == ("R1", "R2", "R3", "R4", "RB", "L1", "L2", "L3", "L4", "LB")


@pytest.mark.parametrize(
    ("scheme", "right", "left"),
    [("4", 2, 2), ("6", 3, 3), ("8", 4, 4), ("8b", 5, 5), ("12", 6, 6), ("28", 16, 12)],
)
def test_how_many_zones_a_side(scheme, right, left):
    zones = chest.zones_of(scheme)
    assert sum(z.side == "right" for z in zones) == right
    assert sum(z.side == "left" for z in zones) == left
    assert len({z.code for z in zones}) == right + left


def test_seen_from_the_front_the_patients_right_is_on_our_left():
    for zone in chest.ZONES.values():
        ours_left = zone.x < chest.WIDTH / 2
        assert ours_left == ((zone.side == "right") == (zone.view == "front")), zone.code


@pytest.mark.parametrize("scheme", ["4", "6", "8", "8b", "12"])
def test_a_zone_is_a_target_for_a_thumb_on_the_smallest_phone(scheme):
    small = {}
    for zone in chest.zones_of(scheme):
        left, top, right, bottom = box(zone.path)
        # The upper and lower edge of a zone are curves: 6 of the height is not inside them.
        width, height = (right - left) * PHONE, (bottom - top - 6) * PHONE
        if min(width, height) < 48:
            small[zone.code] = (width, height)
    assert small == {}


def test_twenty_eight_points_stay_above_the_least_target():
    # WCAG 2.2, success criterion 2.5.8: 24 by 24 CSS pixels.
    for zone in chest.zones_of("28"):
        left, top, right, bottom = box(zone.path)
        assert min(right - left, bottom - top) * PHONE >= 24, zone.code


def test_every_zone_lies_on_the_sheet_with_its_label_inside():
    for zone in chest.ZONES.values():
        left, top, right, bottom = box(zone.path)
        assert 0 <= left < zone.x < right <= chest.WIDTH, zone.code
        assert 0 <= top < zone.y < bottom <= chest.HEIGHT, zone.code


def test_mirrored_twice_is_the_same():
    for zone in chest.ZONES.values():
        there = [t if t.isalpha() else float(t) for t in zone.path.split()]
        back = chest.mirrored(chest.mirrored(zone.path))
        assert [t if t.isalpha() else float(t) for t in back.split()] == there


def test_a_scheme_may_be_given_as_codes():
    assert [z.code for z in chest.zones_of(["LB", "R1"])] == ["LB", "R1"]
    with pytest.raises(KeyError):
        chest.zones_of("9")
