"""What an invented patient has: which synthetic clip each zone shows, and the true answers."""

from __future__ import annotations

from dataclasses import dataclass

from fixtures_demo.people import LUNG

SIDES = ("R", "L")
ALL_ZONES = tuple(side + place for side in SIDES for place in ("1", "2", "3", "4", "B"))


@dataclass(frozen=True)
class Chest:
    """The lungs of one invented patient: which clip each zone shows, and the true answers."""

    name: str
    clips: dict[str, str]
    truth: dict[str, str]  # application -> Answer.code


def _plain(front: str = "sliding-linear", rest: str = "sliding-curvilinear") -> dict[str, str]:
    return {zone: front if zone[1] in "12" else rest for zone in ALL_ZONES}


NOTHING = {
    "pneumothorax": "R- L-",
    "consolidation": "R- L-",
    "interstitial": "none",
    "effusion": "R- L-",
}


def _sided(side: str) -> str:
    return "R+ L-" if side == "R" else "R- L+"


def chest(kind: str, side: str, deep: bool) -> Chest:
    """A chest of one kind. `deep`: the front was scanned deep, as for B-lines."""
    clips = _plain("sliding-curvilinear" if deep else "sliding-linear")
    truth = dict(NOTHING)
    if kind == "pneumothorax":
        clips[side + "1"], clips[side + "2"] = "no-sliding", "lung-point"
        truth["pneumothorax"] = _sided(side)
    elif kind == "wet":
        for zone in ALL_ZONES:
            if zone[1] != "B":
                clips[zone] = "b-lines-confluent" if zone[1] in "34" else "b-lines-five"
        truth["interstitial"] = "diffuse"
    elif kind == "patchy":
        clips[side + "3"], clips[side + "4"] = "b-lines-five", "b-lines-five"
        clips[side + "2"] = "b-lines-two"
        truth["interstitial"] = f"focal {side}"
    elif kind == "consolidated":
        clips[side + "4"], clips[side + "B"] = "consolidation", "consolidation"
        clips[side + "3"] = "b-lines-five"
        truth |= {"consolidation": _sided(side), "interstitial": f"focal {side}"}
    elif kind in ("fluid", "septated"):
        clips[side + "B"] = "effusion" if kind == "fluid" else "effusion-septated"
        truth["effusion"] = _sided(side)
    elif kind == "dark":
        clips = dict.fromkeys(ALL_ZONES, "too-dark")
        truth = dict.fromkeys(NOTHING, "limited")
    elif kind == "shallow":
        for zone in ALL_ZONES:
            if zone[1] != "B":
                clips[zone] = "b-lines-too-shallow"
        truth["interstitial"] = "limited"
    elif kind != "normal":
        raise ValueError(f"no such chest: {kind}")
    return Chest(kind, clips, truth)


CHESTS = (
    ("normal", 40), ("wet", 13), ("patchy", 9), ("consolidated", 10), ("fluid", 10),
    ("septated", 3), ("pneumothorax", 8), ("dark", 3), ("shallow", 4),
)  # fmt: skip

# What is asked, in which zones, how often.
ASKS = (
    (("pneumothorax",), ("R1", "L1", "R2", "L2"), 30),
    (("effusion",), ("RB", "LB"), 16),
    (("pneumothorax", "effusion"), ("R1", "L1", "RB", "LB"), 20),
    (("interstitial",), tuple(z for z in ALL_ZONES if z[1] != "B"), 18),
    (LUNG, ALL_ZONES, 16),
)

FINDINGS = {
    "sliding-linear": {"sliding": "present", "a_lines": "present"},
    "sliding-curvilinear": {"sliding": "present", "b_lines": "0"},
    "no-sliding": {"sliding": "absent", "a_lines": "present"},
    "lung-point": {"sliding": "absent", "lung_point": "seen"},
    "b-lines-two": {"b_lines": "2"},
    "b-lines-five": {"b_lines": "5+"},
    "b-lines-confluent": {"b_lines": "confluent"},
    "b-lines-too-shallow": {},
    "consolidation": {"consolidation": "lobar", "shred": "seen", "air_bronchogram": "static"},
    "effusion": {"effusion": "moderate", "fluid_echo": "anechoic", "fluid_septa": "simple"},
    "effusion-septated": {
        "effusion": "moderate", "fluid_echo": "echogenic", "fluid_septa": "septated",
    },
    "too-dark": {},
}  # fmt: skip
