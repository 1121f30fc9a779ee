"""The table of DICOM attributes that can identify a person, as data.

Source: DICOM PS3.15, Table E.1-1; the edition stands at the head of `annex_e.tsv`.
"""

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources

EDITION = "DICOM PS3.15 Table E.1-1, current on 2025-01-28"


@dataclass(frozen=True)
class Attribute:
    """One row of the table. `tag` is '(gggg,eeee)' in upper-case hex, with x for any digit."""

    tag: str
    name: str
    in_standard_iod: bool
    basic: str
    clean_descriptors: str
    clean_graphics: str
    clean_structured_content: str

    @property
    def number(self) -> int | None:
        """The tag as one integer, or None for a row that stands for a family of tags."""
        digits = self.tag.strip("()").replace(",", "")
        try:
            return int(digits, 16)
        except ValueError:
            return None


@cache
def table() -> tuple[Attribute, ...]:
    """Every row, in the order of the published table."""
    text = resources.files(__package__).joinpath("annex_e.tsv").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    return tuple(
        Attribute(
            tag=row["tag"],
            name=row["name"],
            in_standard_iod=row["in_standard_iod"] == "Y",
            basic=row["basic"],
            clean_descriptors=row["clean_descriptors"],
            clean_graphics=row["clean_graphics"],
            clean_structured_content=row["clean_structured_content"],
        )
        for row in csv.DictReader(lines, delimiter="\t", quoting=csv.QUOTE_NONE)
    )


@cache
def _by_number() -> dict[int, Attribute]:
    return {row.number: row for row in table() if row.number is not None}


def attribute(tag: int) -> Attribute | None:
    """The row that speaks of this tag, families (private, curves, overlays) included."""
    group, element = tag >> 16, tag & 0xFFFF
    if group % 2:
        family = "(odd,xxxx)"
    elif group >> 8 == 0x50:
        family = "(50xx,xxxx)"
    elif group >> 8 == 0x60:
        family = f"(60xx,{element:04X})"
    else:
        return _by_number().get(tag)
    return next((row for row in table() if row.tag == family), None)
