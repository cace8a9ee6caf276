"""Building blocks of press files in PDF (ISO 32000): images, plates, boxes and the output intent.

The files are PDF/X-4 oriented, no more: boxes, output intent, Trapped and metadata are as ISO 15930-7 wants
them, but there are no dates, because a released file must not depend on the clock, and the output profile is
sRGB, which is not a printer's. So the files do not call themselves PDF/X-4.
"""

from __future__ import annotations

import hashlib
import re
import uuid
from decimal import Decimal
from pathlib import Path
from xml.sax.saxutils import escape

import pikepdf
from pikepdf import Array, Dictionary, Name, Pdf, Stream

from pipeline.press.deflate import deflate
from pipeline.press.rows import Samples, packed_rows
from pipeline.raster import MM_PER_INCH

POINTS_PER_INCH = 72
_RESERVED_PLATES = frozenset({"All", "None", "Cyan", "Magenta", "Yellow", "Black"})
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def new_document(title: str, profile: bytes) -> Pdf:
    """Return an empty document with title, output intent and Trapped set; `profile` is an sRGB ICC profile."""
    pdf = Pdf.new()
    pdf.docinfo = pdf.make_indirect(Dictionary(Title=title, Creator="washfast", Trapped=Name("/False")))
    intent = Dictionary(
        Type=Name.OutputIntent,
        S=Name.GTS_PDFX,
        OutputConditionIdentifier="sRGB IEC61966-2.1",
        RegistryName="http://www.color.org",
        Info="sRGB IEC61966-2.1",
        DestOutputProfile=_profile_stream(pdf, profile),
    )
    pdf.Root.OutputIntents = Array([intent])
    return pdf


def icc_based(pdf: Pdf) -> Array:
    """Return the colour space of the document's output intent, for images in it."""
    return Array([Name.ICCBased, pdf.Root.OutputIntents[0].DestOutputProfile])


def separation(plate_name: str) -> Array:
    """Return the Separation colour space of a white plate: tint 0 is no ink, 1 full ink.

    Its alternate is white at every tint, so that what cannot separate shows nothing of it. Raises ValueError
    for a name that means a process plate, all plates or none (ISO 32000-1, 8.6.6.4).
    """
    if plate_name in _RESERVED_PLATES or not plate_name or "\0" in plate_name:
        raise ValueError(f"a plate cannot be called {plate_name!r}: the name has a meaning of its own")
    tint = Dictionary(FunctionType=2, Domain=[0, 1], C0=[0, 0, 0, 0], C1=[0, 0, 0, 0], N=1)
    return Array([Name.Separation, Name("/" + plate_name), Name.DeviceCMYK, tint])


def image(
    pdf: Pdf,
    samples: Samples,
    channels: int,
    colour_space: pikepdf.Object,
    *,
    soft_mask: Stream | None = None,
    threads: int = 1,
) -> Stream:
    """Return an image of the first `channels` channels of samples (H, W) or (H, W, C), or runs, stored without loss."""
    height, width = samples.shape[:2]
    stream = Stream(pdf, b"".join(packed_rows(samples, channels, threads=threads)))
    stream.stream_dict = Dictionary(
        Type=Name.XObject,
        Subtype=Name.Image,
        Width=width,
        Height=height,
        BitsPerComponent=8,
        ColorSpace=colour_space,
        Filter=Name.FlateDecode,
        DecodeParms=Dictionary(Predictor=15, Colors=channels, BitsPerComponent=8, Columns=width),
    )
    if soft_mask is not None:
        stream.SMask = soft_mask
    return stream


def plate_state() -> Dictionary:
    """Return the graphics state that lays a plate over what is there without knocking anything out.

    Overprint keeps the other plates; Darken keeps the picture in viewers that know no overprint, because the
    plate's alternate is white.
    """
    return Dictionary(Type=Name.ExtGState, OP=True, op=True, OPM=1, BM=Name.Darken)


def points(mm: float) -> Decimal:
    """Millimetres to points, to a ten-thousandth."""
    return round(Decimal(mm * POINTS_PER_INCH / MM_PER_INCH), 4)


def add_page(pdf: Pdf, width_mm: float, height_mm: float, resources: Dictionary, content: bytes) -> None:
    """Add a page whose MediaBox and TrimBox are the size given, the box and nothing more."""
    box = [0, 0, points(width_mm), points(height_mm)]
    page = Dictionary(
        Type=Name.Page,
        MediaBox=Array(box),
        TrimBox=Array(box),
        Resources=resources,
        Contents=Stream(pdf, content),
    )
    pdf.pages.append(pikepdf.Page(pdf.make_indirect(page)))


def save(pdf: Pdf, path: Path) -> None:
    """Write the document; the same objects give the same bytes. Raises OSError as `open` does."""
    pdf.Root.Metadata = _metadata(pdf)
    with path.open("wb") as file:
        pdf.save(
            file,
            min_version="1.6",
            deterministic_id=True,
            fix_metadata_version=False,
            compress_streams=False,
            stream_decode_level=pikepdf.StreamDecodeLevel.none,
            object_stream_mode=pikepdf.ObjectStreamMode.disable,
        )


def _profile_stream(pdf: Pdf, profile: bytes) -> Stream:
    stream = Stream(pdf, b"".join(deflate(lambda _: profile, 1)))
    stream.stream_dict = Dictionary(N=3, Alternate=Name.DeviceRGB, Filter=Name.FlateDecode)
    return stream


def _metadata(pdf: Pdf) -> Stream:
    """Return the XMP packet; its document id comes from what the pages hold."""
    held = hashlib.sha256()
    for stream in pdf.objects:
        if isinstance(stream, Stream):
            held.update(stream.read_raw_bytes())
    document = uuid.UUID(bytes=held.digest()[:16], version=5)
    title = escape(_NOT_XML.sub("\ufffd", str(pdf.docinfo.Title)))
    stream = Stream(pdf, _XMP.format(title=title, document=document).encode())
    stream.Type, stream.Subtype = Name.Metadata, Name.XML
    return stream


_XMP = """<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/">
 <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
  <rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/"
    xmlns:pdf="http://ns.adobe.com/pdf/1.3/" xmlns:xmp="http://ns.adobe.com/xap/1.0/"
    xmlns:xmpMM="http://ns.adobe.com/xap/1.0/mm/">
   <dc:format>application/pdf</dc:format>
   <dc:title><rdf:Alt><rdf:li xml:lang="x-default">{title}</rdf:li></rdf:Alt></dc:title>
   <pdf:Trapped>False</pdf:Trapped>
   <xmp:CreatorTool>washfast</xmp:CreatorTool>
   <xmpMM:DocumentID>uuid:{document}</xmpMM:DocumentID>
   <xmpMM:VersionID>1</xmpMM:VersionID>
   <xmpMM:RenditionClass>default</xmpMM:RenditionClass>
  </rdf:Description>
 </rdf:RDF>
</x:xmpmeta>
<?xpacket end="r"?>
"""
