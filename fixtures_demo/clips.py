"""Synthetic lung clips for the demonstration: drawn by a program, of nobody.

Twelve clips and one still of 320 x 240 pixels, each showing what a learner must tell apart. They
are drawn in beam space (depth x line) and scan-converted last, so that speckle, shadows and
reverberations spread with depth as they do on a scanner:

* speckle is complex Gaussian noise blurred by an anisotropic point spread; its magnitude is
  log-compressed over 50 dB;
* smooth amplitude maps carry the anatomy; shadows and artefacts follow the beam, shapes of fluid
  and tissue are given in millimetres and looked up at each sample;
* breathing shifts everything below the pleura sideways by fractions of a line and decorrelates it
  with speed; where the lung does not slide, neither happens.

Nothing here is meant to be measured: the pictures teach the eye what the words mean, and every
one has SYNTHETIC printed in it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, gaussian_filter1d, map_coordinates

WIDTH, HEIGHT = 320, 240
FRAMES = 48
FRAMES_PER_SECOND = 12  # four seconds: one breath, and the loop closes
DYNAMIC_RANGE_DB = 50.0
# A new number draws every clip again at the next start.
DRAWING = 5

# The ultrasound picture inside the frame, left, top, right, bottom in pixels. Above and below it
# lie the bands where a scanner writes: what stands there is hidden by the mask that an intake
# proposes.
PICTURE = (14, 25, 292, 222)

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Probe:
    """Geometry of one kind of probe: lengths in mm, angle in radians (0: parallel lines)."""

    name: str
    radius: float
    half_angle: float
    half_width: float


CURVILINEAR = Probe("curvilinear", radius=46.0, half_angle=0.53, half_width=0.0)
LINEAR = Probe("linear", radius=0.0, half_angle=0.0, half_width=22.0)


@dataclass(frozen=True)
class Clip:
    """One picture to draw, and what it shows.

    `signs` are (sign, value) pairs in the logbook's words; `teaches` says in one sentence what a
    reader should see in it.
    """

    slug: str
    probe: Probe
    depth_mm: int
    teaches: str
    signs: tuple[tuple[str, str], ...]
    paint: Callable[[Scene], None] = field(repr=False)
    gain_db: float = 0.0
    kind: str = "clip"  # "clip" (MP4), "cine" (DICOM multi-frame) or "still" (JPEG)

    @property
    def filename(self) -> str:
        return self.slug + {"clip": ".mp4", "cine": ".dcm", "still": ".jpg"}[self.kind]


class Scene:
    """The beam-space grid of one clip and the layers that its painter lays down.

    All layers are amplitudes (depth samples x lines), before speckle and log compression; 1.0 is
    bright. `wall`: what lies above the pleura and stands still. `lung`: everything that may move
    with the breath.
    """

    SAMPLES, LINES = 300, 136

    def __init__(self, clip: Clip) -> None:
        self.clip = clip
        self.rng = np.random.default_rng([DRAWING, *clip.slug.encode()])
        self.z = np.linspace(0.0, clip.depth_mm, self.SAMPLES)[:, None]
        self.u = np.linspace(-1.0, 1.0, self.LINES)[None, :]
        probe = clip.probe
        if probe.half_angle:
            theta = self.u * probe.half_angle
            self.x = (probe.radius + self.z) * np.sin(theta)
            self.y = (probe.radius + self.z) * np.cos(theta) - probe.radius
        else:
            self.x = self.u * probe.half_width + 0 * self.z
            self.y = self.z + 0 * self.u
        self.surface = self.x[0]  # where each line enters the skin, mm
        self.wall: Array = np.zeros_like(self.x)
        self.shadow: Array = np.ones_like(self.x)
        self.slides: Array = np.ones_like(self.x[:1])  # 1 where the lung moves, 0 where it does not
        self.mobile: Callable[[float], Array] = lambda shift: np.zeros_like(self.x)
        self.boundary: Callable[[float], Array] | None = None
        self.pleura: Array = np.full_like(self.x[:1], 20.0)
        self.travel_mm = 5.0

    @cached_property
    def line_mm(self) -> float:
        """Distance of two lines at the pleura, mm."""
        row = int(np.argmin(np.abs(self.z[:, 0] - float(self.pleura.mean()))))
        return float(self.x[row, 1:].max() - self.x[row, 0]) / (self.LINES - 1)

    # -- pieces shared by the painters -------------------------------------------------

    def ridge(self, at: Array | float, thickness: float) -> Array:
        """A line of the given half thickness along depth `at` (mm)."""
        return np.exp(-0.5 * ((self.z - at) / thickness) ** 2)

    def below(self, at: Array | float, softness: float = 0.6) -> Array:
        return 1.0 / (1.0 + np.exp(-np.clip((self.z - at) / softness, -40, 40)))

    def wander(self, size: float, smooth: float, n: int | None = None) -> Array:
        """A smooth random curve over the lines (or over n points), standard deviation `size`."""
        n = n or self.LINES
        curve = gaussian_filter1d(self.rng.standard_normal(n + 80), smooth)[40 : 40 + n]
        return size * curve / (curve.std() + 1e-9)

    def streaks(self, depth_px: float, lines_px: float) -> Array:
        """Smooth random texture drawn out along the lines' direction, about 0-1."""
        noise = gaussian_filter(
            self.rng.standard_normal((self.SAMPLES, self.LINES)), (depth_px, lines_px)
        )
        return np.clip(0.5 + 0.25 * noise / noise.std(), 0.0, 1.2)

    def chest_wall(
        self, pleura_mm: float, *, ribs: tuple[float, ...] = (), bow: float = 0.0
    ) -> None:
        """Skin, fat, muscle, ribs with their shadows, and the depth of the pleural line."""
        mm = self.SAMPLES / self.clip.depth_mm  # samples per mm
        self.pleura = pleura_mm + bow * self.u**2 + self.wander(0.25, 14)[None, :]
        fat_to = 0.42 * pleura_mm + self.wander(0.6, 18)[None, :]
        above = 1.0 - self.below(self.pleura - 0.5, 0.35)
        septa = self.streaks(0.45 * mm, 16) ** 2
        fibres = self.streaks(0.28 * mm, 26) ** 2
        fat = (1.0 - self.below(fat_to)) * (0.05 + 0.17 * septa)
        muscle = self.below(fat_to) * (0.025 + 0.12 * fibres)
        skin = 0.8 * np.exp(-self.z / (0.05 * pleura_mm)) + 0.35 * self.ridge(
            0.10 * pleura_mm, 0.35
        )
        fascia = 0.5 * self.ridge(fat_to, 0.22) * self.streaks(2, 12)
        self.wall = above * (fat + muscle + fascia) + skin
        for centre in ribs:
            half = 6.5  # mm
            away = (self.surface[None, :] * self._spread(pleura_mm - 6) - centre) / half
            cap = pleura_mm - 7.0 + 3.4 * away**2
            on = 1.0 / (1.0 + np.exp(np.clip((np.abs(away) - 1.0) / 0.09, -40, 40)))
            self.wall = self.wall * (1 - on * self.below(cap + 0.4, 0.3))
            self.wall = self.wall + 0.95 * on * self.ridge(cap, 0.5) * (
                0.6 + 0.4 * self.streaks(2, 5)
            )
            self.shadow = self.shadow * (1.0 - on * self.below(cap + 0.7, 0.5) * 0.996)

    def _spread(self, depth: float) -> float:
        """How much wider the lines lie at a depth than at the skin."""
        probe = self.clip.probe
        return (probe.radius + depth) / probe.radius if probe.half_angle else 1.0

    def a_lines(self, strength: float, *, times: int = 5, fade: float = 0.55) -> Array:
        """Reverberations of the pleural line at its multiples, weaker each time."""
        out = np.zeros_like(self.x)
        for k in range(2, times + 1):
            out += strength * fade ** (k - 2) * self.ridge(k * self.pleura, 0.45 + 0.12 * k)
            # The skin echo repeats a little above each: the haze between two A-lines is not empty.
            out += 0.10 * strength * fade ** (k - 2) * self.ridge((k - 0.55) * self.pleura, 2.2)
        return out

    def haze(self, strength: float, reach: float) -> Array:
        """Grey below the pleural line that dies away over `reach` mm."""
        under = self.below(self.pleura + 0.6, 0.4)
        return under * strength * np.exp(-np.clip(self.z - self.pleura, 0, None) / reach)

    def b_line(self, at_mm: float, width_mm: float, shift: float, fade: float = 0.0) -> Array:
        """One vertical artefact of the lung, from the pleural line down; `fade` 0 reaches the
        bottom.
        """
        spread = self._spread(float(self.pleura.mean()))
        away = (self.surface[None, :] * spread - at_mm - shift) / width_mm
        profile = np.exp(-0.5 * away**2)
        depth = np.clip(self.z - self.pleura, 0, None)
        ring = 0.82 + 0.18 * np.cos(2 * np.pi * depth / 3.1)  # the ring-down is faintly banded
        dying = np.exp(-depth * fade) if fade else 1.0 - 0.25 * depth / self.clip.depth_mm
        return profile * self.below(self.pleura - 0.2, 0.3) * ring * dying

    def pleural_line(self, strength: float, shift: float, rough: float = 0.0) -> Array:
        """The bright line, its fine unevenness moving with the lung."""
        grain = self._line_grain(rough)
        where = np.arange(self.LINES) - shift * self.slides[0] / self.line_mm
        uneven = np.interp(where, np.arange(-40, self.LINES + 40), grain)[None, :]
        return strength * (0.72 + 0.28 * uneven) * self.ridge(self.pleura, 0.55)

    def _line_grain(self, rough: float) -> Array:
        if not hasattr(self, "_grain"):
            self._grain = np.clip(self.wander(0.5, 2.2, self.LINES + 80) + 0.6 - rough, -0.6, 1.6)
        return self._grain


# -- painters ------------------------------------------------------------------------


def _aerated(
    scene: Scene, *, a: float = 0.30, haze: float = 0.05, line: float = 1.0
) -> Callable[[float], Array]:
    def mobile(shift: float) -> Array:
        return (
            scene.pleural_line(line, shift)
            + scene.a_lines(a)
            + scene.haze(haze, 0.30 * scene.clip.depth_mm)
        )

    return mobile


def normal_linear(scene: Scene) -> None:
    scene.chest_wall(14.5, ribs=(-23.0, 23.5))
    scene.travel_mm = 3.2
    scene.mobile = _aerated(scene, a=0.30, haze=0.085)


def normal_curvilinear(scene: Scene) -> None:
    scene.chest_wall(24.0, ribs=(-26.0, 27.0), bow=-1.0)
    scene.mobile = _aerated(scene, a=0.34, haze=0.06)


def absent_sliding(scene: Scene) -> None:
    scene.chest_wall(14.0, ribs=(-23.5, 23.0))
    scene.slides = np.zeros_like(scene.slides)
    scene.mobile = _aerated(scene, a=0.42, haze=0.075)


def lung_point(scene: Scene) -> None:
    scene.chest_wall(14.0, ribs=(-24.5, 24.0))
    scene.travel_mm = 3.2

    def boundary(breath: float) -> Array:
        """Where the lung still touches the wall: it comes in from one side with each breath."""
        edge = -0.12 + 0.30 * breath
        return 1.0 / (1.0 + np.exp(np.clip((scene.u - edge) / 0.018, -40, 40)))

    scene.boundary = boundary

    def mobile(shift: float) -> Array:
        touching = scene.slides
        comet = 0.35 * scene.b_line(-11.0, 0.8, shift, fade=0.09)
        lung = scene.haze(0.12, 15.0) + comet + 0.5 * scene.a_lines(0.22)
        air = scene.haze(0.045, 12.0) + scene.a_lines(0.46)
        return scene.pleural_line(1.0, shift) + touching * lung + (1 - touching) * air

    scene.mobile = mobile


def _with_b_lines(
    scene: Scene, places: tuple[tuple[float, float, float], ...], *, a: float, haze: float = 0.05
) -> None:
    def mobile(shift: float) -> Array:
        total = np.zeros_like(scene.x)
        cover = np.zeros_like(scene.x)
        for at, width, strength in places:
            one = scene.b_line(at, width, shift)
            total = np.maximum(total, strength * one)
            cover = np.maximum(cover, one)
        return (
            scene.pleural_line(0.9, shift, rough=0.15)
            + scene.a_lines(a) * (1 - cover)  # a B-line erases the A-lines that it crosses
            + scene.haze(haze, 0.28 * scene.clip.depth_mm)
            + 0.46 * total
        )

    scene.mobile = mobile


def two_b_lines(scene: Scene) -> None:
    scene.chest_wall(23.0, ribs=(-27.0, 28.0), bow=-1.0)
    _with_b_lines(scene, ((-9.0, 1.5, 0.75), (10.5, 1.7, 0.85)), a=0.26)


def five_b_lines(scene: Scene) -> None:
    scene.chest_wall(23.0, ribs=(-29.0, 29.0), bow=-1.0)
    _with_b_lines(
        scene,
        ((-16.5, 1.5, 0.8), (-9.0, 1.9, 1.0), (-1.0, 1.4, 0.7), (7.0, 2.1, 1.0), (15.0, 1.5, 0.85)),
        a=0.08,
    )


def confluent_b_lines(scene: Scene) -> None:
    scene.chest_wall(22.0, ribs=(-30.0, 30.0), bow=-1.0)
    scene.travel_mm = 4.0
    _with_b_lines(
        scene,
        (
            (-16.0, 3.4, 0.75),
            (-10.0, 4.0, 1.0),
            (-3.5, 4.2, 0.95),
            (3.0, 4.5, 1.05),
            (10.0, 4.0, 0.9),
            (16.0, 3.0, 0.8),
        ),
        a=0.0,
        haze=0.12,
    )


def too_shallow(scene: Scene) -> None:
    """Vertical artefacts, but at a depth at which nobody can say that they reach the bottom."""
    scene.chest_wall(22.0, ribs=(-29.0, 29.0), bow=-1.0)
    _with_b_lines(scene, ((-11.0, 1.3, 0.9), (1.0, 1.5, 1.0), (12.0, 1.3, 0.9)), a=0.10)


def consolidation(scene: Scene) -> None:
    scene.chest_wall(22.0, ribs=(-33.0, 34.0), bow=-1.0)
    scene.travel_mm = 3.5
    torn = 40.0 * np.exp(-0.5 * ((scene.u + 0.05) / 0.40) ** 4)
    torn = torn + scene.wander(3.6, 5.0)[None, :] * (torn / 40.0) + scene.wander(0.9, 1.8)[None, :]
    torn = np.clip(torn, 0.0, None)
    tissue = scene.streaks(3.0, 3.0)
    glints = scene.streaks(4.0, 2.0)
    air = []
    for _ in range(15):
        at, length = scene.rng.uniform(-14, 12), scene.rng.uniform(0.9, 3.4)
        down, slope = scene.rng.uniform(6, 33), scene.rng.uniform(-0.7, 0.7)
        air.append((at, down, length, slope))

    def mobile(shift: float) -> Array:
        x = scene.x - shift
        edge = scene.pleura + torn
        inside = scene.below(scene.pleura + 0.5, 0.4) * (1 - scene.below(edge, 0.5))
        shred = np.clip(torn / 9.0, 0, 1) ** 2 * scene.ridge(edge, 1.0) * (0.45 + 0.55 * glints)
        spots = np.zeros_like(x)
        for at, down, length, slope in air:
            across = (scene.y - (float(scene.pleura.mean()) + down)) - slope * (x - at)
            spots += np.exp(-0.5 * (across / 0.55) ** 2 - 0.5 * ((x - at) / length) ** 2)
        behind = scene.below(edge, 0.8) * np.exp(-np.clip(scene.z - edge, 0, None) / 70.0)
        comets = sum(scene.b_line(at, 1.8, shift) for at in (-9.0, -1.5, 6.5))
        aerated = 1 - np.clip(torn / 6.0, 0, 1)
        return (
            scene.pleural_line(0.55, shift, rough=0.3)
            + inside * (0.04 + 0.075 * tissue)
            + 0.7 * inside * np.clip(spots, 0, 1)
            + 0.7 * shred
            + behind * (0.07 + 0.20 * comets) * (1 - aerated)
            + aerated * (scene.a_lines(0.24) + scene.haze(0.06, 35.0))
        )

    scene.mobile = mobile


def _base_of_chest(scene: Scene, *, septa: bool) -> None:
    """Lateral base, lengthwise: fluid, lung tip, diaphragm with the organ below it, the spine
    deep down.
    """
    scene.chest_wall(21.0, ribs=(-40.0,), bow=-0.5)
    scene.travel_mm = 5.0
    organ = scene.streaks(1.6, 1.6) + 0.5 * scene.streaks(14, 9)
    patchy = scene.streaks(9.0, 4.0)
    vessels = [
        (30.0, 70.0, 3.2, 0.5),
        (44.0, 92.0, 4.0, -0.6),
        (25.0, 98.0, 2.4, 0.2),
        (52.0, 60.0, 2.2, 0.9),
    ]
    tongue = scene.streaks(2.2, 2.2)
    vertebrae = scene.wander(1.6, 9)[None, :]
    strands = []
    if septa:
        for _ in range(6):
            strands.append(
                (
                    scene.rng.uniform(-30, 12),
                    scene.rng.uniform(-0.9, 0.9),
                    scene.rng.uniform(0, 2 * math.pi),
                    scene.rng.uniform(28, 70),
                )
            )
    floating = scene.rng.standard_normal((scene.SAMPLES, scene.LINES))
    floating = gaussian_filter(floating, (1.3, 1.0))
    floating = np.clip(floating / floating.std() - 1.7, 0, 2)

    def mobile(shift: float) -> Array:
        x, y = scene.x, scene.y
        under = scene.below(scene.pleura + 0.4, 0.4)
        # The diaphragm: an arc rising from the right of the picture, moving with the breath.
        cx, cy, r = 62.0 + 0.9 * shift, 92.0, 66.0
        off = np.hypot(x - cx, 0.92 * (y - cy)) - r
        off = off + 2.2 * np.sin(y / 17.0 + 0.4) + 0.8 * np.sin(y / 6.1)
        # It is a mirror: bright only where the beam meets it squarely.
        dome = np.exp(-0.5 * (off / 0.9) ** 2) * (0.35 + 0.75 * np.clip(patchy, 0, 1))
        below_dome = 1.0 / (1.0 + np.exp(np.clip(off / 0.7, -40, 40)))
        # The spine, seen above the diaphragm only because fluid lets sound through.
        arch = np.abs(np.sin((x + 4.0) / 9.5))
        spine_at = 113.0 + vertebrae - 5.0 * arch
        spine = np.exp(-0.5 * ((y - spine_at) / 1.2) ** 2) * np.clip(1.6 * arch - 0.35, 0, 1)
        behind_spine = 1.0 / (1.0 + np.exp(-np.clip((y - spine_at - 1.5) / 1.0, -40, 40)))
        # The lung tip: a wedge of airless lung that floats and flaps.
        tip_x, tip_y = -6.0 + 1.5 * shift, 66.0 + 1.1 * shift
        along = tip_x - x
        half = 0.42 * np.clip(along, 0, None) * (1 - np.clip(along, 0, 70) / 190) + 0.4
        wedge = np.where(along > 0, 1.0, 0.0) / (
            1.0
            + np.exp(
                np.clip(
                    (np.abs(y - tip_y + 0.25 * along + 1.6 * np.sin(along / 8.0)) - half) / 0.9,
                    -40,
                    40,
                )
            )
        )
        wedge = gaussian_filter(wedge, 0.8)
        edge = np.abs(np.gradient(wedge, axis=0)) * 2.2 * (0.3 + 0.8 * patchy)
        fluid = under * (1 - below_dome) * (1 - wedge) * (1 - behind_spine)
        out = under * below_dome * (0.10 + 0.075 * organ) * (1 - 0.9 * behind_spine)
        for vx, vy, thick, slope in vessels:
            gone = np.exp(-0.5 * (((y - vy) - slope * (x - vx - 0.9 * shift)) / thick) ** 2)
            gone = gone * np.exp(-0.5 * ((x - vx - 0.9 * shift) / 9.0) ** 2)
            out = out * (1 - 0.85 * gone * below_dome)
        out += under * 0.85 * dome * (1 - 0.85 * behind_spine)
        out += under * (1 - below_dome) * wedge * (0.10 + 0.09 * tongue) + 0.4 * under * edge * (
            1 - below_dome
        )
        out += under * 0.55 * spine * (1 - wedge)
        out *= 1 - 0.35 * np.clip((scene.z - 60) / 80, 0, 1)
        out += fluid * (
            0.0025 * (1 + 6 * np.exp(-(scene.z - scene.pleura) / 5.0))
            if not septa
            else 0.016 + 0.05 * floating
        )
        for at, slope, phase, mid in strands:
            bend = 3.0 * np.sin((y - mid) / 13.0 + phase) + 0.5 * shift * np.sin(phase)
            away = (x - at - slope * (y - mid) - bend) / math.sqrt(1 + slope**2)
            out += fluid * 0.20 * (0.2 + patchy) * np.exp(-0.5 * (away / 0.6) ** 2)
        out += scene.ridge(scene.pleura, 0.6) * 0.5
        return out

    scene.mobile = mobile


def effusion(scene: Scene) -> None:
    _base_of_chest(scene, septa=False)


def septated_effusion(scene: Scene) -> None:
    _base_of_chest(scene, septa=True)


def poor_gain(scene: Scene) -> None:
    """Too dark, and the probe has lifted off on one side: nothing can be answered from it."""
    scene.chest_wall(25.0, ribs=(-26.0, 27.0), bow=-1.0)
    scene.mobile = _aerated(scene, a=0.14, haze=0.03, line=0.55)
    contact = 1.0 / (1.0 + np.exp(np.clip((scene.u - 0.05) / 0.06, -40, 40)))
    reach = np.exp(-scene.z / 4.0)
    scene.shadow = scene.shadow * (contact + (1 - contact) * reach)


def pleura_still(scene: Scene) -> None:
    scene.chest_wall(13.5, ribs=(-24.0, 23.0))
    scene.mobile = _aerated(scene, a=0.36, haze=0.09)


CLIPS: tuple[Clip, ...] = (
    Clip("sliding-linear", LINEAR, 45, "The pleural line slides; one A-line below it.",
         (("sliding", "present"), ("a_lines", "present")), normal_linear),
    Clip("sliding-curvilinear", CURVILINEAR, 140, "Sliding with A-lines down to the bottom.",
         (("sliding", "present"), ("a_lines", "present")), normal_curvilinear),
    Clip("no-sliding", LINEAR, 45, "A-lines under a pleural line that does not move.",
         (("sliding", "absent"), ("a_lines", "present")), absent_sliding),
    Clip("lung-point", LINEAR, 45, "Sliding comes and goes at one spot with the breath.",
         (("sliding", "absent"), ("lung_point", "seen")), lung_point),
    Clip("b-lines-two", CURVILINEAR, 140, "Two B-lines: under three, this zone is not positive.",
         (("sliding", "present"), ("b_lines", "2")), two_b_lines),
    Clip("b-lines-five", CURVILINEAR, 140, "Five B-lines reach the bottom and erase the A-lines.",
         (("sliding", "present"), ("b_lines", "5+")), five_b_lines),
    Clip("b-lines-confluent", CURVILINEAR, 140, "Confluent B-lines: positive whatever the number.",
         (("sliding", "present"), ("b_lines", "confluent")), confluent_b_lines),
    Clip("b-lines-too-shallow", CURVILINEAR, 60, "Here nobody can say that they reach the bottom.",
         (("sliding", "present"),), too_shallow),
    Clip("consolidation", CURVILINEAR, 140,
         "Tissue-like lung with a torn deep edge and air inside.",
         (("consolidation", "lobar"), ("shred", "seen"), ("air_bronchogram", "static")),
         consolidation),
    Clip("effusion", CURVILINEAR, 140, "Fluid above the diaphragm; the spine shows through it.",
         (("effusion", "moderate"), ("fluid_echo", "anechoic"), ("spine", "seen")),
         effusion, kind="cine"),
    Clip("effusion-septated", CURVILINEAR, 140, "Strands and floating echoes in the fluid.",
         (("effusion", "moderate"), ("fluid_septa", "septated"), ("spine", "seen")),
         septated_effusion),
    Clip("too-dark", CURVILINEAR, 140, "Gain far down and half the probe without contact.",
         (), poor_gain, gain_db=-15.0),
    Clip("pleura-still", LINEAR, 45, "One frame of a pleural line: a still cannot show sliding.",
         (("a_lines", "present"),), pleura_still, kind="still"),
)  # fmt: skip


# -- rendering -----------------------------------------------------------------------


def _speckle(
    rng: np.random.Generator, lines: int, blur: tuple[float, float]
) -> NDArray[np.complex128]:
    """Fully developed speckle of unit mean power, shape (SAMPLES, lines)."""
    shape = (Scene.SAMPLES + 24, lines + 24)
    real = gaussian_filter(rng.standard_normal(shape), blur)
    imag = gaussian_filter(rng.standard_normal(shape), blur)
    both = (real + 1j * imag)[12:-12, 12:-12]
    return both / np.sqrt(np.mean(np.abs(both) ** 2))


def _shift_lines(values: NDArray[np.complex128], by: Array, lines: int) -> NDArray[np.complex128]:
    """Read `lines` columns out of a wider field, each moved by its own fraction of a line."""
    margin = (values.shape[1] - lines) // 2
    at = np.clip(np.arange(lines) + margin - by, 0, values.shape[1] - 2)
    left = np.floor(at).astype(int)
    part = at - left
    return values[:, left] * (1 - part) + values[:, left + 1] * part


class _ScanConverter:
    """Beam space to pixels, with the map of both made once."""

    def __init__(self, clip: Clip) -> None:
        left, top, right, bottom = PICTURE
        probe, depth = clip.probe, float(clip.depth_mm)
        rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH].astype(float)
        if probe.half_angle:
            sag = probe.radius * (1 - math.cos(probe.half_angle))
            high = depth + sag
            wide = 2 * (probe.radius + depth) * math.sin(probe.half_angle)
            self.mm = max(high / (bottom - top), wide / (right - left))  # mm per pixel
            middle = (left + right) / 2
            x = (columns - middle) * self.mm
            y = (rows - top) * self.mm - sag
            distance = np.hypot(x, y + probe.radius)
            z = distance - probe.radius
            u = np.arctan2(x, y + probe.radius) / probe.half_angle
            self.zero_row = top + sag / self.mm
        else:
            self.mm = max(depth / (bottom - top), 2 * probe.half_width / (right - left))
            x = (columns - (left + right) / 2) * self.mm
            z = (rows - top) * self.mm
            u = x / probe.half_width
            self.zero_row = float(top)
        self.inside = (np.abs(u) <= 1) & (z >= 0) & (z <= depth)
        self.at = np.stack(
            [
                z[self.inside] / depth * (Scene.SAMPLES - 1),
                (u[self.inside] + 1) / 2 * (Scene.LINES - 1),
            ]
        )

    def __call__(self, beam: Array) -> NDArray[np.uint8]:
        out = np.zeros((HEIGHT, WIDTH), np.uint8)
        out[self.inside] = np.clip(map_coordinates(beam, self.at, order=1, mode="nearest"), 0, 255)
        return out


def draw(clip: Clip) -> Iterator[NDArray[np.uint8]]:
    """The frames of one clip, each (HEIGHT, WIDTH) uint8 grey. The same frames every time."""
    scene = Scene(clip)
    clip.paint(scene)
    rng = scene.rng
    to_pixels = _ScanConverter(clip)
    margin = _margin(clip, to_pixels)
    mm = scene.SAMPLES / clip.depth_mm
    blur = (max(0.7, 0.34 * mm), 0.85)
    lines, wide = scene.LINES, scene.LINES + 64
    wall_speckle = _speckle(rng, lines, blur)
    lung_speckle = _speckle(rng, wide, blur)
    below = scene.below(scene.pleura - 0.6, 0.3)
    noise_floor = 0.0016 * (1 + 3.2 * (scene.z / clip.depth_mm) ** 2)
    before: Array | None = None
    last_shift = 0.0
    for frame in range(-3, FRAMES):  # three frames run in, so that persistence has settled
        phase = 2 * math.pi * frame / FRAMES
        breath = 0.5 - 0.5 * math.cos(phase)
        shift = scene.travel_mm * (breath - 0.5)
        if scene.boundary is not None:
            scene.slides = scene.boundary(breath)
        moving = scene.slides
        speed = abs(shift - last_shift) / scene.line_mm
        last_shift = shift
        fresh = min(0.75, 0.55 * speed)
        new = _speckle(rng, wide, blur)
        changed = lung_speckle * math.sqrt(1 - fresh**2) + fresh * new
        still = _shift_lines(lung_speckle, np.zeros(lines), lines)
        moved = _shift_lines(changed, shift / scene.line_mm * np.ones(lines), lines)
        lung = moving * moved + (1 - moving) * still
        amplitude = scene.mobile(shift) * scene.shadow
        field = scene.wall * wall_speckle + np.where(below > 0.5, amplitude, 0.0) * lung
        # A thin line is a mirror, not a cloud of scatterers: part of it does not speckle.
        field = field + 0.45 * amplitude * scene.ridge(scene.pleura, 0.9)
        static = rng.standard_normal(field.shape) + 1j * rng.standard_normal(field.shape)
        field = field + noise_floor * gaussian_filter1d(static, 0.8, axis=0)
        level = 20 * np.log10(np.abs(field) + 1e-6) + clip.gain_db
        grey = 255 * np.clip((level + DYNAMIC_RANGE_DB) / (DYNAMIC_RANGE_DB + 3.0), 0, 1) ** 1.12
        before = grey if before is None else 0.7 * grey + 0.3 * before
        if frame >= 0:
            yield np.maximum(to_pixels(before), margin)


def _margin(clip: Clip, pixels: _ScanConverter) -> NDArray[np.uint8]:
    """Depth ticks at the right edge and the printed words, as one grey layer."""
    from PIL import Image, ImageDraw, ImageFont

    layer = Image.new("L", (WIDTH, HEIGHT), 0)
    pen = ImageDraw.Draw(layer)
    small = ImageFont.load_default(size=10)
    for depth in range(0, clip.depth_mm + 1, 5):
        row = round(pixels.zero_row + depth / pixels.mm)
        if row >= HEIGHT:
            break
        whole = depth % 10 == 0
        if clip.depth_mm > 80 and not whole:
            continue
        long = depth % 50 == 0
        pen.line([(306 - (7 if long else 4 if whole else 2), row), (306, row)], fill=170)
        if depth and depth % (50 if clip.depth_mm > 80 else 10) == 0:
            pen.text((308, row - 6), str(depth // 10), fill=170, font=small)
    pen.text((4, 2), "DEMO SCANNER", fill=170, font=small)
    pen.text((2, PICTURE[1] + 1), "SYNTHETIC", fill=225, font=ImageFont.load_default(size=9))
    pen.text((4, HEIGHT - 13), "drawn by a program, no patient", fill=120, font=small)
    pen.text((WIDTH - 34, 2), f"{clip.depth_mm / 10:g} cm", fill=170, font=small)
    return np.asarray(layer)


# -- files ---------------------------------------------------------------------------


def write_mp4(frames: list[NDArray[np.uint8]], path: Path) -> None:
    import av

    with av.open(str(path), "w", format="mp4") as container:
        stream = container.add_stream("libx264", rate=FRAMES_PER_SECOND)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        stream.options = {"crf": "18", "preset": "fast"}
        for grey in frames:
            for packet in stream.encode(av.VideoFrame.from_ndarray(grey, format="gray")):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)


def write_cine(frames: list[NDArray[np.uint8]], path: Path, clip: Clip) -> None:
    """A multi-frame ultrasound object (JPEG baseline frames) with its region calibration.

    The region leaves out the two bands where a scanner writes, so that an intake that masks what
    lies outside the region has something to do.
    """
    import io

    from PIL import Image
    from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
    from pydicom.encaps import encapsulate
    from pydicom.uid import JPEGBaseline8Bit, UltrasoundMultiFrameImageStorage, generate_uid

    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = UltrasoundMultiFrameImageStorage
    meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=[clip.slug, "instance"])
    meta.TransferSyntaxUID = JPEGBaseline8Bit
    ds = FileDataset(str(path), {}, file_meta=meta, preamble=b"\0" * 128)
    ds.SOPClassUID = meta.MediaStorageSOPClassUID
    ds.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    ds.StudyInstanceUID = generate_uid(entropy_srcs=[clip.slug, "study"])
    ds.SeriesInstanceUID = generate_uid(entropy_srcs=[clip.slug, "series"])
    ds.PatientName, ds.PatientID = "SYNTHETIC^NOBODY", "SYNTHETIC"
    ds.Modality, ds.Manufacturer = "US", "drawn by a program"
    ds.Rows, ds.Columns, ds.NumberOfFrames = HEIGHT, WIDTH, len(frames)
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 8, 8, 7, 0
    ds.FrameTime = str(round(1000 / FRAMES_PER_SECOND, 3))
    ds.FrameIncrementPointer = 0x00181063
    ds.CineRate = FRAMES_PER_SECOND
    ds.LossyImageCompression = "01"
    pixels = _ScanConverter(clip)
    region = Dataset()
    region.RegionSpatialFormat, region.RegionDataType, region.RegionFlags = 1, 1, 0
    region.RegionLocationMinX0, region.RegionLocationMinY0 = 0, PICTURE[1] - 1
    region.RegionLocationMaxX1, region.RegionLocationMaxY1 = WIDTH - 1, PICTURE[3] + 1
    region.PhysicalUnitsXDirection = region.PhysicalUnitsYDirection = 3
    region.PhysicalDeltaX = region.PhysicalDeltaY = pixels.mm / 10
    ds.SequenceOfUltrasoundRegions = [region]
    encoded = []
    for grey in frames:
        out = io.BytesIO()
        Image.fromarray(grey).save(out, "JPEG", quality=92)
        encoded.append(out.getvalue())
    ds.PixelData = encapsulate(encoded)
    ds["PixelData"].is_undefined_length = True
    ds.save_as(path, enforce_file_format=True)


def write_still(frames: list[NDArray[np.uint8]], path: Path) -> None:
    from PIL import Image

    Image.fromarray(frames[len(frames) // 3]).convert("RGB").save(path, "JPEG", quality=90)


def write(clip: Clip, path: Path) -> None:
    frames = list(draw(clip))
    if clip.kind == "clip":
        write_mp4(frames, path)
    elif clip.kind == "cine":
        write_cine(frames, path, clip)
    else:
        write_still(frames, path)


def ensure(folder: Path, *, say: Callable[[str], None] = lambda _: None) -> dict[str, Path]:
    """The files of every clip under `folder`, drawn where they are missing or out of date.

    Returns slug -> path. A file is put in place under its name only when whole.
    """
    folder.mkdir(parents=True, exist_ok=True)
    stamp = folder / "drawing.json"
    fresh = stamp.exists() and json.loads(stamp.read_text()) == {"drawing": DRAWING}
    paths = {clip.slug: folder / clip.filename for clip in CLIPS}
    for clip in CLIPS:
        path = paths[clip.slug]
        if fresh and path.exists():
            continue
        say(clip.slug)
        # The suffix stays last: the writers choose their format by it.
        part = path.with_name(".part-" + path.name)
        write(clip, part)
        part.replace(path)
    stamp.write_text(json.dumps({"drawing": DRAWING}))
    return paths
