"""Looks for letters in a picture of our own making; the service's second child program.

Optional (the `ocr` extra). It sees the preview that the first child made, never a file that
somebody sent. It is advice: blind to letters over bright tissue, and it may take a scale for one.
"""

import io
import socket
import sys
from collections.abc import Callable
from typing import Any, BinaryIO

import numpy as np

from logbook.intake import child
from logbook.intake.facts import Rectangle

LEAST_LETTERS = 3  # a scale's numbers and single signs identify nobody
LEAST_SURE = 0.5
_engine: Any = None


@child.task
def find_letters(request: dict[str, Any], picture: BinaryIO) -> dict[str, Any]:
    """Where letters stand in a JPEG, as fractions of the picture."""
    from PIL import Image

    with Image.open(picture, formats=("JPEG",)) as one:
        pixels = np.asarray(one.convert("RGB"))
    return {"letters": [[r.x0, r.y0, r.x1, r.y1] for r in letters(pixels)]}


def letters(pixels: np.ndarray) -> list[Rectangle]:
    """Boxes around what reads as three letters or more."""
    height, width = pixels.shape[:2]
    said = _engine(pixels)
    found = []
    if said.boxes is None:
        return found
    for corners, text, sure in zip(said.boxes, said.txts, said.scores, strict=True):
        if sum(sign.isalnum() for sign in text) < LEAST_LETTERS or sure < LEAST_SURE:
            continue
        x0, y0 = np.clip(corners.min(axis=0) / (width, height), 0, 1)
        x1, y1 = np.clip(corners.max(axis=0) / (width, height), 0, 1)
        box = Rectangle(float(x0), float(y0), float(x1), float(y1))
        if box.valid:
            found.append(box)
    return found


def warm() -> Callable[[], None]:
    """Load the models, and read once: afterwards no file can be opened any more."""
    global _engine
    child.quiet()
    from PIL import Image
    from rapidocr import RapidOCR

    one = "EngineConfig.onnxruntime.{}_op_num_threads"
    _engine = RapidOCR(
        params={
            "Global.log_level": "critical",
            "Global.use_cls": False,
            # With one thread no pool is made, and so the engine still works after a fork.
            one.format("intra"): 1,
            one.format("inter"): 1,
        }
    )
    paper = Image.new("RGB", (320, 120), (0, 0, 0))
    from PIL import ImageDraw

    ImageDraw.Draw(paper).text((20, 40), "NORTHFIELD 2026", fill=(255, 255, 255))
    out = io.BytesIO()
    paper.save(out, "JPEG")
    find_letters({}, io.BytesIO(out.getvalue()))
    return lambda: None  # a rehearsal would take as long as the reading itself


def main() -> None:
    """Serve on the socket named by the first argument."""
    child.serve(socket.socket(fileno=int(sys.argv[1])), warm)


if __name__ == "__main__":
    from logbook.intake import letters as itself

    itself.main()
