"""Unique strings planted where a file can carry something, and the search for them.

Slots of the formats: Exif 2.32, XMP part 3, JPEG (ITU-T T.81 COM and APPn), PNG (W3C, third
edition), ISO 14496-12 and QuickTime boxes, H.264 Annex D (SEI), DICOM PS3.5, PS3.10 and the
attributes of PS3.15 Table E.1-1.
"""

import io
import re
import struct
import zlib
from fractions import Fraction

import av
import pillow_heif
from PIL import Image, PngImagePlugin, TiffImagePlugin, TiffTags
from pydicom.datadict import dictionary_VR
from pydicom.dataelem import DataElement, RawDataElement
from pydicom.dataset import Dataset
from pydicom.encaps import encapsulate
from pydicom.filebase import DicomBytesIO
from pydicom.filewriter import write_dataset, write_file_meta_info
from pydicom.sequence import Sequence
from pydicom.tag import Tag
from pydicom.uid import MPEG4HP41, JPEGBaseline8Bit

from logbook.intake import annex_e
from tests.logbook.intake import samples

WORD = "Qzx{:05d}Kvw"  # 13 characters that no encoder writes by itself
EXIF_TEXTS = {
    0x010E: "ImageDescription",
    0x010F: "Make",
    0x0131: "Software",
    0x013B: "Artist",
    0x013C: "HostComputer",
    0x8298: "Copyright",
}
SHAPE = rb"Qzx\d{5}Kvw"


class Planter:
    """Hands out a new canary for each slot and remembers which slot has which."""

    def __init__(self):
        self.slots = {}

    def __call__(self, slot):
        word = WORD.format(len(self.slots))
        self.slots[word] = slot
        return word

    def raw(self, slot):
        return self(slot).encode()


def found_in(content):
    """Every canary in `content`, as UTF-8, as UTF-16 of either order, or inside zlib streams."""
    words = {hit.decode() for hit in re.findall(SHAPE, content)}
    for order, digit in (("utf-16-le", rb"\d\0"), ("utf-16-be", rb"\0\d")):
        wide = "Qzx".encode(order) + b"(?:" + digit + b"){5}" + "Kvw".encode(order)
        words |= {hit.decode(order) for hit in re.findall(wide, content)}
    for start in re.finditer(rb"\x78[\x01\x5e\x9c\xda]", content):
        try:
            plain = zlib.decompressobj().decompress(content[start.start() :], 1 << 20)
        except zlib.error:
            continue
        words |= {hit.decode() for hit in re.findall(SHAPE, plain)}
    return words


def exif_with(plant, prefix):
    exif = Image.Exif()
    for tag, name in EXIF_TEXTS.items():
        exif[tag] = plant(f"{prefix} Exif {name}")
    exif[0x9C9B] = plant(f"{prefix} Exif XPTitle (UTF-16)").encode("utf-16-le")
    exif[0x8769] = {
        0x9286: b"ASCII\0\0\0" + plant.raw(f"{prefix} Exif UserComment"),
        0x927C: plant.raw(f"{prefix} Exif MakerNote"),
        0xA430: plant(f"{prefix} Exif CameraOwnerName"),
        0xA431: plant(f"{prefix} Exif BodySerialNumber"),
    }
    exif[0x8825] = {
        1: "N",
        2: (47.0, 22.0, 30.5),
        7: (1.0, 2.0, 3.0),
        27: plant.raw(f"{prefix} Exif GPSProcessingMethod"),
        29: plant(f"{prefix} Exif GPSDateStamp"),
    }
    return exif


def exif_with_thumbnail(plant, prefix):
    """The same with a second directory: a small JPEG that says something itself (Exif 4.6.2)."""
    exif = bytearray(exif_with(plant, prefix).tobytes().removeprefix(b"Exif\0\0"))
    small = samples.picture(form="JPEG", comment=plant.raw(f"{prefix} Exif thumbnail's COM"))
    order = "<" if exif[:2] == b"II" else ">"
    (first,) = struct.unpack_from(f"{order}I", exif, 4)
    (entries,) = struct.unpack_from(f"{order}H", exif, first)
    exif += b"\0" * (len(exif) % 2)
    struct.pack_into(f"{order}I", exif, first + 2 + 12 * entries, len(exif))
    directory = [(0x0103, 3, 6), (0x0201, 4, len(exif) + 2 + 3 * 12 + 4), (0x0202, 4, len(small))]
    exif += struct.pack(f"{order}H", len(directory))
    for tag, kind, value in directory:
        packed = struct.pack(f"{order}HH" if kind == 3 else f"{order}I", *[value, 0][: 5 - kind])
        exif += struct.pack(f"{order}HHI", tag, kind, 1) + packed
    return b"Exif\0\0" + bytes(exif) + b"\0" * 4 + small


def jpeg(plant):
    xmp = f"<x:xmpmeta xmlns:x='adobe:ns:meta/'>{plant('JPEG XMP')}</x:xmpmeta>".encode()
    content = samples.picture(
        form="JPEG",
        exif=exif_with_thumbnail(plant, "JPEG"),
        comment=plant.raw("JPEG COM"),
        icc_profile=b"\0" * 128 + plant.raw("JPEG ICC"),
        xmp=xmp,
    )
    iptc = b"Photoshop 3.0\x008BIM\x04\x04\0\0\0\0\0\x20" + plant.raw("JPEG IPTC").ljust(32, b"\0")
    extra = segment(0xED, iptc)
    for number in range(3, 13):
        extra += segment(0xE0 + number, plant.raw(f"JPEG APP{number}"))
    return content[:2] + extra + content[2:] + plant.raw("JPEG trailing bytes")


def segment(kind, payload):
    return bytes([0xFF, kind]) + struct.pack(">H", len(payload) + 2) + payload


def png(plant):
    text = PngImagePlugin.PngInfo()
    text.add_text("Comment", plant("PNG tEXt"))
    text.add_text("Title", plant("PNG zTXt"), zip=True)
    text.add_itxt("Author", plant("PNG iTXt"))
    text.add_itxt("Source", plant("PNG iTXt deflated"), zip=True)
    text.add(b"quXx", plant.raw("PNG private chunk"), after_idat=True)
    content = samples.picture(
        pnginfo=text,
        exif=exif_with(plant, "PNG"),
        icc_profile=b"\0" * 128 + plant.raw("PNG iCCP"),
    )
    return content + plant.raw("PNG trailing bytes")


def webp(plant):
    content = samples.picture(
        form="WEBP",
        exif=exif_with(plant, "WebP"),
        xmp=plant.raw("WebP XMP"),
        icc_profile=b"\0" * 128 + plant.raw("WebP ICCP"),
    )
    return content + plant.raw("WebP trailing bytes")


def heif(plant):
    pillow_heif.register_heif_opener()
    content = samples.picture(
        form="HEIF", exif=exif_with(plant, "HEIF"), xmp=plant.raw("HEIF XMP"), quality=90
    )
    return content + plant.raw("HEIF trailing bytes")


def box(kind, payload):
    return struct.pack(">I4s", 8 + len(payload), kind) + payload


def mp4(plant):
    """A clip with texts in metadata, boxes, handler name, chapters, a subtitle stream, one of
    timed metadata, and the pictures' own stream: in units that are none of its pictures, and
    behind its parameter sets."""
    with_texts = io.BytesIO()
    with (
        av.open(io.BytesIO(samples.clip(frames=12))) as source,
        av.open(with_texts, "w", format="mp4") as target,
    ):
        for key in ("title", "artist", "comment", "description", "copyright", "synopsis",
                    "show", "episode_id", "lyrics", "genre"):  # fmt: skip
            target.metadata[key] = plant(f"MP4 {key}")
        target.metadata["location"] = "+47.3750-008.5417/"
        pictures = target.add_stream_from_template(source.streams.video[0])
        pictures.metadata["handler_name"] = plant("MP4 handler name")
        sets = parameter_sets(pictures.codec_context.extradata)
        pictures.codec_context.extradata = with_a_set(
            pictures.codec_context.extradata, sei(plant.raw("SEI among the parameter sets"))
        ) + plant.raw("behind the parameter sets")
        words, timed = target.add_mux_stream("mov_text"), target.add_data_stream("bin_data")
        timed.codec_tag = "gpmd"
        chapter = {"id": 1, "start": 0, "end": 200, "time_base": Fraction(1, 1000)}
        target.set_chapters([{**chapter, "metadata": {"title": plant("MP4 chapter")}}])
        said = plant.raw("MP4 subtitle")
        target.mux(at_the_start(words, struct.pack(">H", len(said)) + said))
        target.mux(at_the_start(timed, plant.raw("MP4 timed metadata")))
        first = True
        for packet in source.demux(video=0):
            if not packet.size:
                continue
            packet.stream = pictures
            if first:
                units = [sei(plant.raw("H.264 SEI user data"))]
                units += [bytes([kind]) + plant.raw(f"H.264 unit {kind}") for kind in NO_PICTURES]
                units += [one + plant.raw("behind an H.264 parameter set") for one in sets]
                packet, first = with_units(packet, units), False
                packet.stream = pictures
            target.mux(packet)
    content = with_texts.getvalue()
    loci = box(b"loci", b"\0\0\0\0\x15\xc7" + plant.raw("MP4 loci") + b"\0\0" + b"\0" * 14)
    moov_udta = box(b"udta", loci + box(b"\xa9xyz", b"\0\x10\x15\xc7" + plant.raw("MP4 xyz")))
    return (
        content
        + box(b"free", plant.raw("MP4 free box"))
        + box(b"uuid", b"0123456789abcdef" + plant.raw("MP4 uuid box"))
        + box(b"skip", plant.raw("MP4 skip box"))
        + moov_udta
        + plant.raw("MP4 trailing bytes")
    )


def gif(plant):
    """Two pictures, a comment, and applications' own blocks (GIF89a, sections 24 and 26)."""
    out = io.BytesIO()
    one, two = (Image.fromarray(samples.numbered(index)) for index in (1, 2))
    said = plant.raw("GIF comment")
    one.save(out, "GIF", save_all=True, append_images=[two], duration=40, comment=said)
    content = out.getvalue()
    block = b"\x21\xff\x0bCANARIES1.0" + sized(plant.raw("GIF application")) + b"\0"
    plain = b"\x21\x01\x0c" + bytes(12) + sized(plant.raw("GIF plain text")) + b"\0"
    end = content.rindex(b"\x3b")
    return content[:end] + block + plain + b"\x3b" + plant.raw("GIF trailing bytes")


def sized(text):
    return bytes([len(text)]) + text


def moving_png(plant):
    text = PngImagePlugin.PngInfo()
    text.add_text("Comment", plant("moving PNG tEXt"))
    out = io.BytesIO()
    one, two = (Image.fromarray(samples.numbered(index)) for index in (1, 2))
    one.save(
        out, "PNG", save_all=True, append_images=[two], duration=40, pnginfo=text,
        exif=exif_with(plant, "moving PNG"),
    )  # fmt: skip
    return out.getvalue() + plant.raw("moving PNG trailing bytes")


def tiff(plant):
    """Texts and private tags of TIFF 6.0, XMP, IPTC, Photoshop, ICC."""
    tags = {
        0x010D: "DocumentName", 0x010E: "ImageDescription", 0x010F: "Make", 0x0110: "Model",
        0x011D: "PageName", 0x0131: "Software", 0x013B: "Artist", 0x013C: "HostComputer",
        0x8298: "Copyright", 0xC614: "UniqueCameraModel",
    }  # fmt: skip
    directory = TiffImagePlugin.ImageFileDirectory_v2()
    for tag, name in tags.items():
        directory[tag] = plant(f"TIFF {name}")
    bare = {0x02BC: "XMP", 0x83BB: "IPTC", 0x8649: "Photoshop", 0x9000: "private"}
    for tag, name in bare.items():
        directory.tagtype[tag] = TiffTags.UNDEFINED
        directory[tag] = plant.raw(f"TIFF {name}")
    return samples.picture(
        form="TIFF", tiffinfo=directory, icc_profile=b"\0" * 128 + plant.raw("TIFF ICC")
    ) + plant.raw("TIFF trailing bytes")


def avif(plant):
    content = samples.picture(
        form="AVIF", exif=exif_with(plant, "AVIF"), xmp=plant.raw("AVIF XMP"), quality=90
    )
    return content + plant.raw("AVIF trailing bytes")


def with_more_streams(plant, form):
    """A clip with texts and, where the container has them, a second picture stream, a subtitle
    stream, chapters and a file attached."""
    out = io.BytesIO()
    plain = samples.clip(frames=12, codec="mpeg4" if form == "avi" else "libx264", options={})
    # AVI keeps what its list of texts knows; Matroska keeps every name.
    names = {"avi": ("title", "artist", "comment", "copyright", "genre", "language")}.get(
        form, ("title", "artist", "comment", "copyright", "patient_name", "description")
    )
    with av.open(io.BytesIO(plain)) as source, av.open(out, "w", format=form) as target:
        for name in names:
            target.metadata[name] = plant(f"{form} {name}")
        pictures = target.add_stream_from_template(source.streams.video[0])
        if form == "matroska":
            further = target.add_stream_from_template(source.streams.video[0])
            pictures.metadata["title"] = plant("matroska name of a track")
            words = target.add_mux_stream("subrip")
            target.set_chapters([
                {"id": 1, "start": 0, "end": 200, "time_base": Fraction(1, 1000),
                 "metadata": {"title": plant("matroska chapter")}},
            ])  # fmt: skip
            target.add_attachment(
                plant("matroska name of an attachment"), "text/plain",
                plant.raw("matroska attachment"),
            )  # fmt: skip
            target.mux(at_the_start(words, plant.raw("matroska subtitle")))
        first = True
        for packet in source.demux(video=0):
            if not packet.size:
                continue
            if form == "matroska":
                other = with_sei(packet, plant.raw(f"matroska second stream, at {packet.pts}"))
                other.stream = further
                target.mux(other)
            if first and form != "avi":
                packet, first = with_sei(packet, plant.raw(f"{form} SEI user data")), False
            packet.stream = pictures
            target.mux(packet)
    return out.getvalue() + plant.raw(f"{form} trailing bytes")


def dicom_with_clip(plant):
    """An ultrasound file whose pixel data is an H.264 stream with words of its own inside."""
    out = io.BytesIO()
    with (
        av.open(io.BytesIO(samples.clip(frames=12))) as source,
        av.open(out, "w", format="mp4") as target,
    ):
        target.metadata["title"] = plant("DICOM's clip title")
        pictures = target.add_stream_from_template(source.streams.video[0])
        first = True
        for packet in source.demux(video=0):
            if not packet.size:
                continue
            if first:
                packet, first = with_sei(packet, plant.raw("DICOM's clip SEI")), False
            packet.stream = pictures
            target.mux(packet)
    data = samples.dicom()
    data.NumberOfFrames = 12
    data.PixelData = encapsulate([out.getvalue() + plant.raw("DICOM's clip trailing")])
    data["PixelData"].is_undefined_length = True
    data.file_meta.TransferSyntaxUID = MPEG4HP41
    data.PatientName = plant("DICOM's patient")
    return samples.saved(data)


def at_the_start(stream, content):
    packet = av.Packet(content)
    packet.stream, packet.pts, packet.dts, packet.duration = stream, 0, 0, 100
    packet.time_base = Fraction(1, 1000)
    return packet


# ITU-T H.264 table 7-1, with a reference count of 0: data partitions, delimiter, ends, filler,
# extension, prefix, subset, auxiliary slice, reserved and unspecified.
NO_PICTURES = (0, 2, 3, 4, 9, 10, 11, 12, 13, 14, 15, 16, 19, 20, 21, 22, 24, 31)


def with_sei(packet, text):
    """The packet with a user-data-unregistered SEI before its first unit."""
    return with_units(packet, [sei(text)])


def sei(text):
    payload = b"\x11" * 16 + text
    return b"\x06\x05" + bytes([len(payload)]) + payload + b"\x80"


def with_units(packet, units):
    """The packet with further units before its first one (length-prefixed)."""
    more = b"".join(struct.pack(">I", len(unit)) + unit for unit in units)
    changed = av.Packet(more + bytes(packet))
    for name in ("pts", "dts", "duration", "time_base", "is_keyframe"):
        setattr(changed, name, getattr(packet, name))
    return changed


def with_a_set(record, unit):
    """The record (ISO/IEC 14496-15, 5.3.3.1) with one more unit where it lists a single set."""
    (size,) = struct.unpack_from(">H", record, 6)
    assert record[5] & 31 == 1
    at = 8 + size
    head = record[:5] + bytes([record[5] + 1]) + record[6:at]
    return head + struct.pack(">H", len(unit)) + unit + record[at:]


def parameter_sets(record):
    """The parameter sets of an AVCDecoderConfigurationRecord (ISO/IEC 14496-15, 5.3.3.1)."""
    found, at = [], 5
    for _kind in range(2):
        count, at = record[at] & 31, at + 1
        for _set in range(count):
            (size,) = struct.unpack_from(">H", record, at)
            found.append(record[at + 2 : at + 2 + size])
            at += 2 + size
    return found


def mov_without_type(plant):
    """The same clip as a QuickTime file with texts under mdta keys."""
    out = io.BytesIO()
    with (
        av.open(io.BytesIO(samples.clip())) as source,
        av.open(out, "w", format="mov", options={"movflags": "use_metadata_tags"}) as target,
    ):
        target.metadata["com.apple.quicktime.location.ISO6709"] = plant("MOV mdta location")
        target.metadata["com.apple.quicktime.model"] = plant("MOV mdta model")
        pictures = target.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(video=0):
            if packet.size:
                packet.stream = pictures
                target.mux(packet)
    return out.getvalue()


def dicom(plant, *, cine):
    """An ultrasound file with a canary in every attribute of the table, in four places."""
    frames = [samples.numbered(index) for index in range(3 if cine else 1)]
    data = samples.dicom(frames)
    if not cine:
        data.NumberOfFrames = 1
    pictures = []
    for frame in frames:
        plain = samples.picture(frame, "JPEG", quality=95, comment=plant.raw("DICOM frame COM"))
        pictures.append(plain[:2] + segment(0xE5, plant.raw("DICOM frame APP5")) + plain[2:])
    data.PixelData = encapsulate(pictures)
    data["PixelData"].is_undefined_length = True
    data.file_meta.TransferSyntaxUID = JPEGBaseline8Bit
    data.preamble = (b"II*\0" + plant.raw("DICOM preamble")).ljust(128, b"\0")
    fill(data, plant, "top level")
    inner = Dataset()
    fill(inner, plant, "in a sequence in a region in a sequence")
    middle = Dataset()
    fill(middle, plant, "in a sequence in a region")
    middle.add_new(UNLISTED, "SQ", [inner])
    region = samples.region(10, 10, 149, 109)
    fill(region, plant, "in a region")
    region.add_new(UNLISTED, "SQ", [middle])
    data.SequenceOfUltrasoundRegions = Sequence([region])
    for row in annex_e.table():
        if row.number is not None and row.number >> 16 == 2:
            data.file_meta[row.number] = raw(row.number, plant, "file meta")
    data.file_meta.PrivateInformationCreatorUID = "1.2.3"
    data.file_meta.PrivateInformation = plant.raw("DICOM private information of the file meta")
    return whole(data) + plant.raw("DICOM trailing bytes")


UNLISTED = 0x00189006  # a sequence that the table does not name, to nest in


def whole(data):
    """The file's bytes, group 0000 included, which no proper writer puts there."""
    out = DicomBytesIO()
    out.is_little_endian, out.is_implicit_VR = True, False
    out.write(data.preamble + b"DICM")
    write_file_meta_info(out, data.file_meta, enforce_standard=True)
    write_dataset(out, data)
    return out.getvalue()


def fill(data, plant, where):
    for row in annex_e.table():
        if row.number is not None and row.number >> 16 != 2:
            data[row.number] = raw(row.number, plant, where)
    for group in (0x0009, 0x0029):
        data[group << 16 | 0x0010] = raw(group << 16 | 0x0010, plant, where, "LO")
        data[group << 16 | 0x1001] = raw(group << 16 | 0x1001, plant, where, "UN")
    for group in (0x5000, 0x6000, 0x601E):
        data[group << 16 | 0x3000] = raw(group << 16 | 0x3000, plant, where, "OW")
    for group in (0x6000, 0x6010):
        data[group << 16 | 0x4000] = raw(group << 16 | 0x4000, plant, where, "LT")


def raw(number, plant, where, vr=None, slot=None):
    """An attribute whose bytes are the canary whatever its kind, as a careless machine writes."""
    if vr is None:
        try:
            vr = dictionary_VR(number).split(" or ")[0]
        except KeyError:
            vr = "LO"
    slot = slot or f"DICOM {Tag(number)} {where}"
    if vr == "SQ":
        item = Dataset()
        item[0x00081030] = raw(0x00081030, plant, where, slot=slot)
        return DataElement(number, "SQ", [item])
    value = plant.raw(slot).ljust(16, b" ")
    return RawDataElement(Tag(number), vr, len(value), value, 0, False, True)
