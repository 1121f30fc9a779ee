"""Where the zones of a scanned chest are drawn. Pure data, keyed by zone code.

The patient faces us: the patient's right is drawn on our left. Seen from behind it is the other
way round, which is why both words are always printed beside each view.

Zones 1-4 of a side are anterior upper, anterior lower, lateral upper and lateral lower; anterior
runs from the sternum to the anterior axillary line, lateral from there to the posterior axillary
line (Volpicelli et al., Intensive Care Med 2012;38:577-91). `B` is the posterolateral base; 5 and
6 are posterior upper and lower. The 28 points are the intercostal spaces 2-5 on the right and 2-4
on the left along four lines (after Jambrik et al., Am J Cardiol 2004;93:1265-70, from memory).

Drawing units: 1 = 1 CSS pixel on a screen 320 wide.
"""

from dataclasses import dataclass

WIDTH, HEIGHT = 320, 308
FRONT, BACK = "front", "back"
RIGHT, LEFT = "right", "left"


def gettext_noop(sentence: str) -> str:
    return sentence


@dataclass(frozen=True, slots=True)
class Zone:
    code: str
    side: str
    view: str
    name: str
    path: str
    x: float
    y: float
    dashed: bool = False
    small: bool = False


# Path commands are absolute M, L, C and Z, so that a side can be mirrored by its numbers alone.
_RIGHT_FRONT = {
    "1": (
        gettext_noop("anterior upper"),
        "M 151 62 C 130 54 104 56 86 70 L 84 139 C 106 146 130 146 151 142 Z",
        118,
        98,
        False,
    ),
    "2": (
        gettext_noop("anterior lower"),
        "M 151 148 C 130 152 106 152 84 145 L 82 226 C 108 224 134 214 151 198 Z",
        115,
        182,
        False,
    ),
    "3": (
        gettext_noop("lateral upper"),
        "M 80 71 C 58 66 36 74 20 92 L 14 141 C 34 147 58 148 78 144 Z",
        49,
        106,
        False,
    ),
    "4": (
        gettext_noop("lateral lower"),
        "M 78 150 C 58 154 34 153 13 147 L 12 212 C 30 222 54 227 76 227 Z",
        45,
        186,
        False,
    ),
    "B": (
        gettext_noop("posterolateral base"),
        "M 76 233 C 54 233 30 228 12 218 L 16 276 C 34 291 58 297 80 292 Z",
        46,
        256,
        True,
    ),
}

_LEFT_BACK = {
    "5": (
        gettext_noop("posterior upper"),
        "M 151 62 C 126 52 84 56 56 78 L 46 150 C 78 160 120 160 151 156 Z",
        102,
        106,
        False,
    ),
    "6": (
        gettext_noop("posterior lower"),
        "M 151 162 C 120 166 78 166 45 156 L 40 236 C 72 254 122 252 151 246 Z",
        98,
        202,
        False,
    ),
}

_LINES = (
    ("P", gettext_noop("parasternal line"), 117),
    ("M", gettext_noop("midclavicular line"), 83),
    ("A", gettext_noop("anterior axillary line"), 49),
    ("X", gettext_noop("mid-axillary line"), 15),
)
_SPACES = {RIGHT: (2, 3, 4, 5), LEFT: (2, 3, 4)}


def mirrored(path: str) -> str:
    """The same path on the other side of the midline."""
    out, horizontal = [], True
    for token in path.split():
        if token.isalpha():
            out.append(token)
            horizontal = True
        else:
            out.append(f"{WIDTH - float(token):g}" if horizontal else token)
            horizontal = not horizontal
    return " ".join(out)


def _pair(number: str, shape: tuple, view: str) -> list[Zone]:
    name, path, x, y, dashed = shape
    drawn_left = RIGHT if view == FRONT else LEFT
    drawn_right = LEFT if view == FRONT else RIGHT
    return [
        Zone(_code(drawn_left, number), drawn_left, view, name, path, x, y, dashed),
        Zone(
            _code(drawn_right, number),
            drawn_right,
            view,
            name,
            mirrored(path),
            WIDTH - x,
            y,
            dashed,
        ),
    ]


def _code(side: str, number: str) -> str:
    return ("R" if side == RIGHT else "L") + number


def _points() -> list[Zone]:
    zones = []
    for side, spaces in _SPACES.items():
        for space in spaces:
            for letter, name, x in _LINES:
                y = 72 + (space - 2) * 46
                path = f"M {x} {y} L {x + 31} {y} L {x + 31} {y + 43} L {x} {y + 43} Z"
                centre = x + 15.5
                if side == LEFT:
                    path, centre = mirrored(path), WIDTH - centre
                code = f"{'R' if side == RIGHT else 'L'}{space}{letter}"
                zones.append(Zone(code, side, FRONT, name, path, centre, y + 21.5, small=True))
    return zones


ZONES: dict[str, Zone] = {
    zone.code: zone
    for zone in (
        *(z for number, shape in _RIGHT_FRONT.items() for z in _pair(number, shape, FRONT)),
        *(z for number, shape in _LEFT_BACK.items() for z in _pair(number, shape, BACK)),
        *_points(),
    )
}


def _both(*numbers: str) -> tuple[str, ...]:
    return tuple(f"R{n}" for n in numbers) + tuple(f"L{n}" for n in numbers)


SCHEMES: dict[str, tuple[str, ...]] = {
    "4": _both("1", "2"),
    "6": _both("1", "2", "B"),
    "8": _both("1", "2", "3", "4"),
    "8b": _both("1", "2", "3", "4", "B"),
    "12": _both("1", "2", "3", "4", "5", "6"),
    "28": tuple(zone.code for zone in _points()),
}


def zones_of(scheme: str | list[str] | tuple[str, ...]) -> list[Zone]:
    """The zones of a scheme by its name, or of an explicit list of codes, in reading order.

    Raises KeyError for a scheme or code that is not drawn here.
    """
    codes = SCHEMES[scheme] if isinstance(scheme, str) else scheme
    return [ZONES[code] for code in codes]
