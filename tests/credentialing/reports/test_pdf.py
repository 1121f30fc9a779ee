"""The printed report: the same bytes for the same record, readable by a screen reader, nothing
left out.
"""

import io
import re
import xml.etree.ElementTree as ET

import pypdf
import pytest

from accounts.errors import Refused
from credentialing.reports import content as contents
from credentialing.reports import outside, pdf, ruler, sentences
from tests.credentialing.reports import example_content as example


def reader_of(data):
    return pypdf.PdfReader(io.BytesIO(data))


def text_of(data):
    """All the words of a file with spaces and line ends made one space."""
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in reader_of(data).pages))


def test_the_same_content_gives_the_same_bytes():
    assert pdf.render(example.content()) == pdf.render(example.content())


def test_the_order_in_which_rows_come_does_not_matter():
    straight = example.content()
    shuffled = example.content()
    shuffled["people"][0]["scans"].reverse()
    shuffled["people"][0]["clauses"].reverse()
    assert pdf.render(straight) == pdf.render(shuffled)
    assert contents.canonical(contents.in_order(straight)) == contents.canonical(
        contents.in_order(shuffled)
    )


def test_another_position_of_the_ledger_gives_other_bytes():
    later = example.content()
    later["as_of"]["position"] += 1
    assert pdf.render(later) != pdf.render(example.content())


def test_tagged_for_a_screen_reader():
    # ISO 14289-1 (PDF/UA-1): marked content, a structure tree, a language, a shown title, and the
    # identifier pdfuaid:part = 1 in the metadata. Clause numbers are from memory: 6.2, 7.1, 7.2, 5.
    root = reader_of(pdf.render(example.content())).trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] == True  # noqa: E712  (a pypdf BooleanObject)
    assert root["/StructTreeRoot"]["/Type"] == "/StructTreeRoot"
    assert root["/Lang"] == "en"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"] == True  # noqa: E712
    metadata = root["/Metadata"].get_object().get_data().decode()
    assert re.search(r"<pdfuaid:part>1</pdfuaid:part>", metadata)


def structure(node, role):
    """Every structure element of one role below a node."""
    node = node.get_object()
    if isinstance(node, pypdf.generic.ArrayObject):
        return [found for kid in node for found in structure(kid, role)]
    if not isinstance(node, pypdf.generic.DictionaryObject):
        return []
    here = [node] if node.get("/S") == role else []
    return here + (structure(node["/K"], role) if "/K" in node else [])


def test_every_ruler_is_told_in_words():
    root = reader_of(pdf.render(example.content())).trailer["/Root"]
    alts = [figure["/Alt"] for figure in structure(root["/StructTreeRoot"], "/Figure")]
    assert len(alts) == 5
    assert "Ruler: Credited lung exams, 18, at least 25, 7 to go" in alts


def test_tables_have_header_cells():
    root = reader_of(pdf.render(example.content())).trailer["/Root"]
    headers = structure(root["/StructTreeRoot"], "/TH")
    assert len(headers) >= 9 + 9


def test_the_only_fonts_are_those_that_come_with_the_package():
    names = set()
    for page in reader_of(pdf.render(example.content())).pages:
        for font in page["/Resources"]["/Font"].values():
            names.add(str(font["/BaseFont"]).split("+")[-1])
    assert names == {"DejaVuSansCondensed", "DejaVuSansCondensed-Bold"}


@pytest.mark.parametrize("scope", ["trainee", "cohort"])
def test_headed_not_issued_with_every_caution(scope):
    data = pdf.render(example.content(scope=scope))
    text = text_of(data)
    for page in reader_of(data).pages:
        assert "NOT ISSUED" in page.extract_text()
    assert sentences.not_issued() in text
    for caution in sentences.cautions():
        assert caution in text
    assert sentences.report() in text
    assert sentences.met_on() in text
    assert sentences.bound() in text


def test_what_stands_beside_the_readings_is_printed():
    text = text_of(pdf.render(example.content()))
    assert (
        "Ida Marlow chose which exams to submit. Not among the readings compared: drafts older "
        "than 7 days 2, withdrawn after submission 1, returned 1, closed 0, set aside 3, late "
        "5, not "
        "independent 6, corrected after the reveal 7." in text
    )
    assert "Waiting: 4 performed and unread, 1 returned to the trainee." in text
    assert "Answering always negative would have matched" in text


def test_every_scan_of_the_list_is_on_paper():
    content = example.content()
    text = text_of(pdf.render(content))
    missing = [s["exam_code"] for s in content["people"][0]["scans"] if s["exam_code"] not in text]
    assert missing == []


def test_the_cohort_lists_everyone_and_no_scan():
    people = [example.trainee(name) for name in ("Wren Achterberg", "Olu Feyisola", "Ida Marlow")]
    for person in people:
        person["credited_scans"] = 0
    text = text_of(pdf.render(example.content(*people, scope="cohort")))
    assert [text.count(name) for name in ("Wren Achterberg", "Olu Feyisola", "Ida Marlow")] == [
        1,
        1,
        1,
    ]
    assert "K2-AQX" not in text
    assert "Among 3 people some look extreme by chance." in text


def test_markup_in_a_name_stays_text():
    person = example.trainee("#set text(red) *Bo* $x$ \\ <b>")
    text = text_of(pdf.render(example.content(person)))
    assert "#set text(red) *Bo* $x$ \\ <b>" in text


@pytest.mark.parametrize(
    "name",
    [
        "＝1+1", "Nguyễn Thị Ánh", "Δήμητρα", "Ольга", "עדה", "عائشة", "Անի", "ანა", "王小明",
        "佐藤あゆみ", "김지우", "अनीता", "অনিতা", "ਅਨੀਤਾ", "અનિતા", "அனிதா", "అనిత", "ಅನಿತಾ",
        "അനിത", "අනිතා", "สุดา", "ສຸດາ", "សុដា", "သူဇာ", "አበበ", "Ada\u200b\u200d Fenn",
    ],
)  # fmt: skip
def test_a_name_is_printed_in_the_script_it_is_written_in(name):
    assert pdf.render(example.content(example.trainee(name))).startswith(b"%PDF")


@pytest.mark.parametrize(
    ("sign", "told"),
    [("\U0001f44d", "U+1F44D (\U0001f44d)"), ("\ue000", "U+E000"), ("\x07", "U+0007")],
)
def test_a_sign_that_no_typeface_has_is_named_with_where_it_stands(sign, told):
    # PDF/UA-1 lets no page through that holds a sign without a shape.
    with pytest.raises(Refused) as refusal:
        pdf.render(example.content(example.trainee(f"Ada {sign} Fenn")))
    assert f"the sign {told} in “Lung ultrasound: the record of Ada {sign} Fenn”" in str(
        refusal.value
    )


def test_a_content_that_contradicts_itself_is_refused():
    person = example.trainee()
    person["credited_scans"] += 1
    with pytest.raises(contents.Unsound, match="52 credited scans listed, 53 counted"):
        pdf.render(example.content(person))


def test_a_value_not_yet_known_is_never_zero():
    text = text_of(pdf.render(example.content()))
    assert "not yet known: needs 25, has 9" in text
    assert "0%" not in text.replace("80%", "").replace("50%", "").replace("90%", "")


@pytest.mark.parametrize(("paper", "points"), [("a4", (595, 842)), ("letter", (612, 792))])
def test_the_page_is_of_the_paper_that_the_programme_prints_on(paper, points):
    # ISO 216: 210 x 297 mm; letter: 8.5 x 11 in; 72 points an inch.
    content = example.content()
    content["sheet"]["paper"] = paper
    for page in reader_of(pdf.render(content)).pages:
        assert (round(page.mediabox.width), round(page.mediabox.height)) == points


def an_outside_copy(more=0):
    """Of somebody with three counts, and `more` with words that fill a line."""
    person = example.trainee(legal_name="Ida Constance Marlow")
    person["clauses"] += [
        example.clause(6 + n, "At least 25 exams with the attending in the room, confirmed")
        for n in range(more)
    ]
    done = [
        outside.Done(
            exam=n // 2, application=("Pneumothorax", "Effusion")[n % 2],
            performed_on=f"2026-{1 + n // 12:02d}-03", place=("Resuscitation", "Ward")[n % 2],
            age_band="18 to 64 years", positive=n % 5 == 0, reader=n % 3,
        )
        for n in range(52)
    ]  # fmt: skip
    content = example.content(person, copy="outside", issued=True)
    del content["people"]
    return content | {
        "person": outside.told(person, done),
        "recommendation": {
            "recommends": True,
            "sentence": "Careful.",
            "by": "T",
            "on": "2026-06-30",
        },
    }


def test_an_outside_copy_fits_on_one_page_with_every_count_as_a_ruler():
    seal = pdf.Seal(code="A" * 26, url="https://lung.example/check/?code=" + "A" * 26,
                    address="https://lung.example/check/", fingerprint="ab" * 32)  # fmt: skip
    data = pdf.render(an_outside_copy(), seal=seal)
    reader = reader_of(data)
    assert len(reader.pages) == 1
    alts = [one["/Alt"] for one in structure(reader.trailer["/Root"]["/StructTreeRoot"], "/Figure")]
    assert [alt for alt in alts if alt.startswith("Ruler")] == [
        "Ruler: Credited lung exams, 18, at least 25, not met",
        "Ruler: Pneumothorax scans, 14, at least 10, met",
        "Ruler: Exams in the last 12 months, 12, at least 20, not met",
    ]
    for caution in sentences.cautions():
        assert caution in text_of(data)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_plan_of_seven_counts_fits_on_one_page(paper):
    seal = pdf.Seal(code="A" * 26, url="https://lung.example/check/?code=" + "A" * 26,
                    address="https://lung.example/check/", fingerprint="ab" * 32)  # fmt: skip
    content = an_outside_copy(more=4)
    content["sheet"]["paper"] = paper
    reader = reader_of(pdf.render(content, seal=seal))
    assert [("Check this report" in page.extract_text()) for page in reader.pages] == [True]


def test_why_a_number_lapsed_is_said_in_words():
    assert "lapsed 20 May 2026: scans have left the window" in text_of(
        pdf.render(example.content())
    )


SVG = "{http://www.w3.org/2000/svg}"


def test_a_ruler_has_a_tick_every_five_and_fills_to_its_value():
    picture = ET.fromstring(  # noqa: S314  (made here)
        ruler.svg(value=18, bar=25, share=False, met=False)
    )
    lines = picture.findall(SVG + "line")
    # The line itself, the end of the filling, ticks at 0, 5, ... 25 (scale 28), and the threshold.
    assert len(lines) == 1 + 1 + 6 + 1
    fill = float(picture.find(SVG + "rect").get("width"))
    threshold = float(lines[-1].get("x1")) - 1.5
    assert fill / threshold == pytest.approx(18 / 25, abs=0.001)


def test_a_ruler_with_nothing_known_is_empty():
    picture = ET.fromstring(  # noqa: S314  (made here)
        ruler.svg(value=None, bar=0.8, share=True, met=False)
    )
    assert picture.find(SVG + "rect") is None
