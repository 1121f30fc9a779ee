"""Recognises a picture that came again re-encoded or resized. Pure numpy.

A fingerprint is the picture at 96 by 72, band-passed and with its contrast evened out, so that
what all ultrasound pictures share (a bright top, a dark bottom, a fan) counts for little. Two are
compared by correlation. It hints that somebody should look; it proves nothing, and one that came
again with much more of it covered is missed.
"""

import hashlib
from collections.abc import Iterable
from functools import cache

import numpy as np

WIDTH, HEIGHT = 96, 72
SIZE = WIDTH * HEIGHT
HINT_AT = 0.93  # re-encodings lie above 0.97, other scans below 0.87; tried on drawn clips alone
LEAST_COMMON = 0.2  # of the small picture
BANDS, BITS = 8, 24
FINE, COARSE = 0.8, 4.0  # pixels of the small picture


def fingerprint(luma: np.ndarray) -> bytes:
    """`SIZE` signed bytes of a picture's brightness (rows, columns)."""
    small = _resized(luma.astype(np.float32))
    # Where nothing is drawn, covered places above all, is left out of every mean: its edge is the
    # strongest line in the picture and tells nothing.
    empty = _blurred(np.abs(small - _blurred(small, 1.0)), 1.0) < 0.5
    drawn = (~empty).astype(np.float32)
    band = (_mean(small, drawn, FINE) - _mean(small, drawn, COARSE)) * drawn
    evened = band / (np.sqrt(_mean(band**2, drawn, COARSE)) + 4)
    if (~empty).sum() < SIZE * LEAST_COMMON:
        return bytes(SIZE)
    evened = np.where(empty, 0, evened - evened[~empty].mean())
    spread = float(evened[~empty].std())
    if spread < 1e-6:
        return bytes(SIZE)
    print_ = np.clip(np.rint(evened / spread * 32), -127, 127).astype(np.int8)
    print_[(print_ == 0) & ~empty] = 1  # nought means empty and nothing else
    return print_.tobytes()


def correlations(one: bytes, others: Iterable[bytes]) -> np.ndarray:
    """The correlation of `one` with each of `others` where both show something, -1 to 1; 0 where
    too little of both does."""
    mine = np.frombuffer(one, np.int8).astype(np.float32)
    rows = [np.frombuffer(other, np.int8) for other in others]
    if not rows:
        return np.zeros(0, np.float32)
    theirs = np.stack(rows).astype(np.float32)
    common = ((theirs != 0) & (mine != 0)).astype(np.float32)
    count = np.maximum(common.sum(axis=1, keepdims=True), 1)
    a = (mine - (common * mine).sum(axis=1, keepdims=True) / count) * common
    b = (theirs - (common * theirs).sum(axis=1, keepdims=True) / count) * common
    length = np.linalg.norm(a, axis=1) * np.linalg.norm(b, axis=1)
    enough = (count[:, 0] >= SIZE * LEAST_COMMON) & (length > 0)
    return np.where(enough, (a * b).sum(axis=1) / np.where(enough, length, 1), 0)


def codes(one: bytes) -> list[int]:
    """`BANDS` numbers, each naming its band: pictures that correlate share one of them sooner or
    later, and an index finds it. The sign of the projection on fixed random directions."""
    return [band << BITS | value for band, value in enumerate(_values(one)[0])]


def near_codes(one: bytes) -> list[int]:
    """The codes to look for: those of `one` and all that differ from one of them in a single bit.

    Of 2^24 values 25 are looked at in each of eight bands. By the angle between two fingerprints a
    bit differs with chance acos(r)/pi: r = 0.98 is found in 99.8 of 100 cases, r = 0.93 in 83, and
    of unrelated ones (r = 0.3) 7 in 10,000 come along and are told apart by correlation.
    """
    found = []
    for band, value in enumerate(_values(one)[0]):
        found.append(band << BITS | value)
        found.extend(band << BITS | value ^ (1 << bit) for bit in range(BITS))
    return found


def _values(*ones: bytes) -> list[list[int]]:
    vectors = np.stack([np.frombuffer(one, np.int8) for one in ones]).astype(np.float32)
    # By einsum, which asks no threads to help: they would keep a second core busy long after.
    sums = np.einsum("ni,di->nd", vectors, _directions())
    bits = (sums > 0).reshape(len(ones), BANDS, BITS)
    weights = 1 << np.arange(BITS)
    return [[int(value) for value in row] for row in (bits * weights).sum(axis=2)]


@cache
def _directions() -> np.ndarray:
    """Plus and minus one, the same for ever and on every machine: stored codes depend on it."""
    stream = hashlib.shake_256(b"directions of fingerprints, 1").digest(BANDS * BITS * SIZE // 8)
    bits = np.unpackbits(np.frombuffer(stream, np.uint8)).reshape(BANDS * BITS, SIZE)
    return bits.astype(np.float32) * 2 - 1


def _resized(picture: np.ndarray) -> np.ndarray:
    """Area means at HEIGHT by WIDTH; a smaller picture is enlarged by repeating first."""
    repeat = [max(-(-wanted // side), 1) for wanted, side in
              zip((HEIGHT, WIDTH), picture.shape, strict=True)]  # fmt: skip
    picture = np.kron(picture, np.ones(repeat, np.float32)) if max(repeat) > 1 else picture
    for axis, wanted in ((0, HEIGHT), (1, WIDTH)):
        edges = np.arange(wanted + 1) * picture.shape[axis] // wanted
        sums = np.add.reduceat(picture, edges[:-1], axis=axis)
        shape = [1, 1]
        shape[axis] = -1
        picture = sums / np.diff(edges).reshape(shape)
    return picture


def _mean(picture: np.ndarray, drawn: np.ndarray, sigma: float) -> np.ndarray:
    """The local mean of what is drawn."""
    return _blurred(picture * drawn, sigma) / np.maximum(_blurred(drawn, sigma), 1e-3)


def _blurred(picture: np.ndarray, sigma: float) -> np.ndarray:
    return _blur(HEIGHT, sigma) @ picture @ _blur(WIDTH, sigma).T


@cache
def _blur(size: int, sigma: float) -> np.ndarray:
    """What turns `size` values into their Gaussian means, mirrored at both ends."""
    reach = int(np.ceil(sigma * 3))
    kernel = np.exp(-(np.arange(-reach, reach + 1) ** 2) / (2 * sigma**2))
    mirrored = np.pad(np.eye(size), ((reach, reach), (0, 0)), mode="reflect")
    whole = sum(share * mirrored[at : at + size] for at, share in enumerate(kernel / kernel.sum()))
    return whole.astype(np.float32)
