"""The table against what is published of it and against pydicom's own dictionary."""

from collections import Counter

from pydicom.datadict import dictionary_VR

from logbook.intake import annex_e


def test_the_table_has_the_rows_of_the_edition_it_names():
    """Counts of DICOM PS3.15 Table E.1-1 (edition current on 2025-01-28), read from its JSON."""
    assert len(annex_e.table()) == 621
    assert Counter(row.basic for row in annex_e.table()) == {
        "X": 384,
        "D": 92,
        "U": 54,
        "Z": 42,
        "X/D": 22,
        "X/Z": 11,
        "X/Z/D": 8,
        "Z/D": 6,
        "X/Z/U*": 2,
    }


def test_well_known_rows_say_what_the_standard_says():
    wanted = {
        0x00100010: "Z",  # Patient's Name
        0x00100020: "Z/D",  # Patient ID
        0x00100030: "Z",  # Patient's Birth Date
        0x00101010: "X",  # Patient's Age
        0x00080050: "Z",  # Accession Number
        0x00080020: "Z",  # Study Date
        0x00080080: "X/Z/D",  # Institution Name
        0x00181000: "X/Z/D",  # Device Serial Number
        0x00020003: "U",  # Media Storage SOP Instance UID
        0x00700001: "D",  # Graphic Annotation Sequence
    }
    assert {tag: annex_e.attribute(tag).basic for tag in wanted} == wanted


def test_families_are_found_and_strangers_are_not():
    assert annex_e.attribute(0x00091001).name == "Private Attributes"
    assert annex_e.attribute(0x60103000).name == "Overlay Data"
    assert annex_e.attribute(0x50043000).name == "Curve Data"
    assert annex_e.attribute(0x00280010) is None  # Rows
    assert annex_e.attribute(0x60000010) is None  # Overlay Rows


def test_every_tag_stands_once():
    tags = [row.tag for row in annex_e.table()]
    assert len(tags) == len(set(tags))


def test_every_identifier_to_be_replaced_is_a_unique_identifier_in_pydicoms_dictionary():
    replaced = [row for row in annex_e.table() if row.basic == "U"]
    assert {dictionary_VR(row.number) for row in replaced} == {"UI"}
