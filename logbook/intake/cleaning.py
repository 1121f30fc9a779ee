"""DICOM that a programme keeps for teaching: the pixels without what was covered, and of the
attributes only what DICOM PS3.15 Annex E leaves.

Basic Application Level Confidentiality Profile with the options Clean Pixel Data, Clean Graphics
and Clean Descriptors, from the table in `annex_e` (edition named there), at every depth. Where the
table offers alternatives, the one that satisfies every information object is taken: a dummy before
an empty value before removal. Stricter than the table: private attributes, curves, overlays, bulk
data other than the pixels, and whatever the standard's dictionary does not know are removed; a
descriptor stays only where each of its words is one of `WORDS`.

Runs in the child process only. It is given no key: whoever has one makes the new identifiers.
"""

import io
import re
from collections.abc import Iterator, Mapping
from typing import Any, BinaryIO

import jpeg_ls
import numpy as np
import pydicom
from pydicom.datadict import dictionary_has_tag, dictionary_VR
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.pixels import iter_pixels
from pydicom.uid import (
    UID,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRLittleEndian,
    JPEGLSLossless,
    SecondaryCaptureImageStorage,
)

from logbook.intake import annex_e, dicom, masks
from logbook.intake.facts import Facts, Limits, Rectangle, Refused

REMOVE, EMPTY, DUMMY, REPLACE = "remove", "empty", "dummy", "replace"
ACTIONS = {
    "X": REMOVE, "X/Z/U*": REMOVE, "Z": EMPTY, "X/Z": EMPTY, "U": REPLACE,
    "D": DUMMY, "X/D": DUMMY, "Z/D": DUMMY, "X/Z/D": DUMMY,
}  # fmt: skip
REGISTERED = "1.2.840.10008."
MOST_UIDS, DEEPEST = 4096, 32
BULK = {"OB", "OD", "OF", "OL", "OV", "OW", "UN", "OB or OW"}
DUMMIES: dict[str, Any] = {
    "DA": "19000101", "TM": "000000", "DT": "19000101000000", "AS": "000Y", "PN": "REMOVED",
    "UR": "urn:removed", "IS": "0", "DS": "0", "AE": "REMOVED", "CS": "REMOVED", "LO": "REMOVED",
    "LT": "REMOVED", "SH": "REMOVED", "ST": "REMOVED", "UC": "REMOVED", "UT": "REMOVED",
    "FD": 0.0, "FL": 0.0, "SL": 0, "SS": 0, "SV": 0, "UL": 0, "US": 0, "UV": 0, "AT": 0,
}  # fmt: skip
# What a descriptor may say and be kept: the trade's own words, none of which names anybody.
WORDS = frozenset(
    re.findall(
        r"\S+",
        """
        2d b m mode us ultrasound sonography scan exam clip cine loop still image lung lungs pleura
        pleural thorax thoracic chest diaphragm effusion consolidation interstitial pneumothorax
        sliding abdomen abdominal cardiac echo general linear curvilinear convex phased array sector
        right left bilateral anterior posterior lateral posterolateral upper lower base apex zone
        supine sitting prone adult paediatric pediatric neonatal teaching
        """,
    )
)
# DICOM PS3.16 CID 7050.
METHODS = (
    ("113100", "Basic Application Confidentiality Profile"),
    ("113101", "Clean Pixel Data Option"),
    ("113103", "Clean Graphics Option"),
    ("113105", "Clean Descriptors Option"),
)


def identifiers(source: BinaryIO) -> list[str]:
    """Every identifier of the file that has to be replaced, each once."""
    found: dict[str, None] = {}
    for element in _everything(_header(source)):
        if _action(element) == REPLACE:
            for uid in _texts(element):
                found[uid] = None
                if len(found) > MOST_UIDS:
                    raise Refused("too_heavy")
    return list(found)


def clean(
    source: BinaryIO,
    out: BinaryIO,
    *,
    facts: Facts,
    mask: list[Rectangle],
    uids: Mapping[str, str],
    limits: Limits,
) -> None:
    """Write the cleaned file. `uids`: what each of `identifiers` becomes. Raises Refused."""
    header = _header(source)
    count = dicom._check(header, limits)
    cleaned = _cleaned(header, uids, depth=0)
    _say_so(cleaned)
    _pixels(cleaned, source, header, count, facts, mask)
    kind = str(header.get("SOPClassUID", ""))
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = (
        UID(kind) if kind.startswith(REGISTERED) else SecondaryCaptureImageStorage
    )
    cleaned.SOPClassUID = meta.MediaStorageSOPClassUID
    meta.MediaStorageSOPInstanceUID = cleaned.get("SOPInstanceUID") or UID("2.25.0")
    meta.TransferSyntaxUID = (
        JPEGLSLossless if cleaned["PixelData"].is_undefined_length else ExplicitVRLittleEndian
    )
    cleaned.file_meta = meta
    cleaned.preamble = b"\0" * 128
    cleaned.save_as(out, enforce_file_format=True)


def _header(source: BinaryIO) -> Dataset:
    """All that stands before the pixels; nothing after them is ever read."""
    dicom._check_deflated(source)
    header = pydicom.dcmread(source, stop_before_pixels=True)
    source.seek(0)
    return header


def _everything(data: Dataset, depth: int = 0) -> Iterator[DataElement]:
    for element in _elements(data):
        yield element
        if element.VR == "SQ" and depth < DEEPEST:
            for item in element.value or []:
                yield from _everything(item, depth + 1)


def _elements(data: Dataset) -> Iterator[DataElement]:
    """Each element that can be made sense of. One that cannot is left out, and so is not kept."""
    for tag in sorted(data.keys()):
        try:
            element = data[tag]
        except Exception:  # noqa: S112  (whatever a broken value raises, it is not kept)
            continue
        yield element


def _cleaned(data: Dataset, uids: Mapping[str, str], depth: int) -> Dataset:
    kept = Dataset()
    for element in _elements(data):
        action = _action(element)
        if action == REMOVE or depth > DEEPEST:
            continue
        vr = dictionary_VR(element.tag).split(" or ")[0]
        if action == EMPTY:
            kept.add_new(element.tag, vr, [] if vr == "SQ" else None)
        elif action == DUMMY:
            kept.add_new(element.tag, vr, _dummy(vr))
        elif action == REPLACE:
            kept.add_new(element.tag, "UI", [uids[one] for one in _texts(element)])
        elif element.VR == "SQ":
            items = [_cleaned(item, uids, depth + 1) for item in element.value or []]
            kept.add_new(element.tag, "SQ", items)
        else:
            kept.add_new(element.tag, element.VR, element.value)
    return kept


def _action(element: DataElement) -> str | None:
    """What becomes of an element; None: it stays (of a sequence, its items are looked at)."""
    tag = element.tag
    if tag.is_private or tag.group < 0x0004 or tag.group >> 8 in (0x50, 0x60):
        return REMOVE
    if not dictionary_has_tag(tag):
        return REMOVE
    row = annex_e.attribute(tag)
    if row is None:
        if element.VR == "UI":
            foreign = any(not uid.startswith(REGISTERED) for uid in _texts(element))
            return REPLACE if foreign else None
        return REMOVE if element.VR in BULK or tag.group == 0x7FE0 else None
    if row.clean_descriptors == "C" and _is_harmless(element):
        return None
    return ACTIONS.get(row.basic, REMOVE)


def _is_harmless(element: DataElement) -> bool:
    if element.VR not in ("CS", "LO", "SH", "ST", "LT", "UC", "UT"):
        return False
    texts = _texts(element)
    words = [word for text in texts for word in re.split(r"[\s,./()_-]+", text.lower()) if word]
    return bool(words) and all(word in WORDS for word in words)


def _texts(element: DataElement) -> list[str]:
    value = element.value
    several = value if isinstance(value, (list, tuple, pydicom.multival.MultiValue)) else [value]
    return [str(one) for one in several if one not in (None, "")]


def _dummy(vr: str) -> Any:
    if vr == "SQ":
        return [Dataset()]
    if vr == "UI":
        return "2.25.0"
    return b"\0\0" if vr in BULK else DUMMIES[vr]


def _say_so(data: Dataset) -> None:
    data.PatientIdentityRemoved = "YES"
    data.DeidentificationMethod = ["DICOM PS3.15 Annex E", annex_e.EDITION[:64], *(
        f"{code} {meaning}" for code, meaning in METHODS
    )]  # fmt: skip
    codes = []
    for value, meaning in METHODS:
        code = Dataset()
        code.CodeValue, code.CodingSchemeDesignator, code.CodeMeaning = value, "DCM", meaning
        codes.append(code)
    data.DeidentificationMethodCodeSequence = codes
    data.BurnedInAnnotation = "NO"
    data.LongitudinalTemporalInformationModified = "REMOVED"


def _pixels(
    data: Dataset,
    source: BinaryIO,
    header: Dataset,
    count: int,
    facts: Facts,
    mask: list[Rectangle],
) -> None:
    """Decoded, covered and encoded afresh without loss; what stood in the old streams is gone."""
    for name in ("Red", "Green", "Blue", "Alpha"):
        for part in (f"{name}PaletteColorLookupTableDescriptor",
                     f"{name}PaletteColorLookupTableData",
                     f"Segmented{name}PaletteColorLookupTableData"):  # fmt: skip
            if part in data:
                delattr(data, part)
    boxes = [masks.pixels(one, facts.width, facts.height) for one in mask]
    frames: list[bytes] = []
    first: np.ndarray | None = None
    for picture in _frames(source, header, count):
        picture = np.array(picture)
        covering = 255 if header.PhotometricInterpretation == "MONOCHROME1" else 0
        for x0, y0, x1, y1 in boxes:
            picture[y0:y1, x0:x1] = covering
        first = picture if first is None else first
        frames.append(_encoded(picture))
        if len(frames) == count:
            break
    if first is None or len(frames) < count:
        raise Refused("cut_short")
    colour = first.ndim == 3
    data.Rows, data.Columns = first.shape[:2]
    data.SamplesPerPixel = 3 if colour else 1
    if colour:
        data.PhotometricInterpretation, data.PlanarConfiguration = "RGB", 0
    if colour or first.dtype == np.uint8:
        data.BitsAllocated, data.BitsStored, data.HighBit, data.PixelRepresentation = 8, 8, 7, 0
    if first.dtype == np.uint8:
        data.PixelData = encapsulate(frames)
        data["PixelData"].VR = "OB"
        data["PixelData"].is_undefined_length = True
    else:
        data.PixelData = b"".join(frames)
        data["PixelData"].VR = "OW"


def _encoded(picture: np.ndarray) -> bytes:
    if picture.dtype != np.uint8:
        return picture.astype(picture.dtype.newbyteorder("<")).tobytes()
    if picture.ndim == 3:
        return _even(bytes(jpeg_ls.encode_array(np.ascontiguousarray(picture), 0, 2)))
    return _even(bytes(jpeg_ls.encode_array(np.ascontiguousarray(picture))))


def _even(stream: bytes) -> bytes:
    return stream + b"\0" * (len(stream) % 2)


def _frames(source: BinaryIO, header: Dataset, count: int) -> Iterator[np.ndarray]:
    """Grey as it was stored, colour as red, green and blue."""
    grey = int(header.get("SamplesPerPixel") or 1) == 1
    if not grey or header.get("PhotometricInterpretation") == "PALETTE COLOR":
        for one in dicom._frames(source, header, count):
            yield np.asarray(one.picture())
        return
    deflated = dicom._syntax(header) == DeflatedExplicitVRLittleEndian
    yield from iter_pixels(pydicom.dcmread(source) if deflated else source, raw=True)


def warm() -> None:
    """Load what cleaning loads late, while files can still be opened."""
    annex_e.table()
    jpeg_ls.decode_buffer(bytes(jpeg_ls.encode_array(np.zeros((32, 32), np.uint8))))
    data = pydicom.dataset.FileDataset(None, {}, preamble=b"\0" * 128)
    data.file_meta = FileMetaDataset()
    data.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    data.file_meta.MediaStorageSOPClassUID = data.SOPClassUID = SecondaryCaptureImageStorage
    data.file_meta.MediaStorageSOPInstanceUID = data.SOPInstanceUID = "2.25.0"
    _say_so(data)
    data.save_as(io.BytesIO(), enforce_file_format=True)
