"""Small files that unpack to, or claim, far more than they are."""

from __future__ import annotations

import io
import itertools
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

import ezdxf

MANY = 3_000_000_000


def packed(entries: dict[str, bytes | Iterator[bytes]], path: Path) -> Path:
    """A ZIP file; what repeats itself takes next to nothing in it."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in entries.items():
            with archive.open(name, "w", force_zip64=True) as file:
                for part in [data] if isinstance(data, bytes) else data:
                    file.write(part)
    return path


def spaces(megabytes: int, *, head: bytes = b"", tail: bytes = b"") -> Iterator[bytes]:
    """Markup around so many megabytes of nothing."""
    yield head
    for _ in range(megabytes):
        yield b" " * 1_000_000
    yield tail


def lying(path: Path, size: int) -> Path:
    """The same archive whose directory says that each entry unpacks to a few bytes."""
    data = bytearray(path.read_bytes())
    at = -1
    while (at := data.find(b"PK\x01\x02", at + 1)) >= 0:
        data[at + 24 : at + 28] = struct.pack("<I", size)
    path.write_bytes(data)
    return path


def laughs(inside: str) -> str:
    """A document whose one word stands for a thousand million words (entities of entities)."""
    names = "abcdefghij"
    lines = ['<!ENTITY a "ha">']
    lines += [f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in itertools.pairwise(names)]
    return f'<?xml version="1.0"?><!DOCTYPE x [{"".join(lines)}]>' + inside.replace("WORD", "&j;")


_ODS = (
    '<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
    'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0" '
    'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" office:version="1.2"><office:body><office:spreadsheet>'
    '<table:table table:name="points">ROWS</table:table></office:spreadsheet></office:body></office:document-content>'
)
_KML = (
    '<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark><name>WORD</name><Point>'
    "<coordinates>11,47</coordinates></Point></Placemark></Document></kml>"
)


def _ods(rows: str, path: Path, *, word: str = "") -> Path:
    cell = '<table:table-cell office:value-type="string"><text:p>name</text:p></table:table-cell>'
    text = _ODS.replace("ROWS", f"<table:table-row>{cell}</table:table-row>{rows}")
    return packed({"content.xml": (laughs(text.replace("name", "WORD", 2)) if word else text).encode()}, path)  # fmt: skip


def _book(
    sheet: bytes | Iterator[bytes], path: Path, *, texts: bytes | Iterator[bytes] = b""
) -> Path:
    """A workbook of one sheet, after ECMA-376."""
    import openpyxl

    made = io.BytesIO()
    openpyxl.Workbook().save(made)
    entries: dict[str, bytes | Iterator[bytes]] = {}
    with zipfile.ZipFile(made) as archive:
        for name in archive.namelist():
            entries[name] = archive.read(name)
    entries["xl/worksheets/sheet1.xml"] = sheet
    if texts:
        entries["xl/sharedStrings.xml"] = texts
        kinds = entries["[Content_Types].xml"]
        assert isinstance(kinds, bytes)
        if b"sharedStrings" not in kinds:
            part = b'<Override PartName="/xl/sharedStrings.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"/></Types>'
            entries["[Content_Types].xml"] = kinds.replace(b"</Types>", part)
    return packed(entries, path)


_SHEET = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
_TEXTS = b'<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'


def tables(folder: Path, *, megabytes: int) -> dict[str, Path]:
    """Spreadsheets; those that unpack to much do so to so many megabytes."""
    whole = {"head": _SHEET, "tail": b"</sheetData></worksheet>"}
    return {
        "sheet": _book(spaces(megabytes, **whole), folder / "sheet.xlsx"),
        "texts": _book(_SHEET + b"</sheetData></worksheet>", folder / "texts.xlsx", texts=spaces(megabytes, head=_TEXTS, tail=b"</sst>")),
        "sheet, lying": lying(_book(spaces(megabytes, **whole), folder / "lying.xlsx"), 1000),
        "rows repeated": _ods(f'<table:table-row table:number-rows-repeated="{MANY}"><table:table-cell><text:p>x</text:p></table:table-cell></table:table-row>', folder / "rows.ods"),
        "cells repeated": _ods(f'<table:table-row><table:table-cell table:number-columns-repeated="{MANY}"><text:p>x</text:p></table:table-cell></table:table-row>', folder / "cells.ods"),
        "rows of cells": _ods('<table:table-row table:number-rows-repeated="100000"><table:table-cell table:number-columns-repeated="16000"><text:p>x</text:p></table:table-cell></table:table-row>', folder / "both.ods"),
        "entities": _ods("", folder / "entities.ods", word="name"),
        "content": packed({"content.xml": spaces(megabytes, head=_ODS.partition("ROWS")[0].encode(), tail=_ODS.partition("ROWS")[2].encode())}, folder / "content.ods"),
    }  # fmt: skip


def shapes(folder: Path, *, megabytes: int) -> dict[str, Path]:
    """Files of outlines."""
    head, _, tail = _KML.partition("WORD")
    (folder / "entities.kml").write_text(laughs(_KML))
    return {
        "kmz": packed({"doc.kml": spaces(megabytes, head=head.encode(), tail=tail.encode())}, folder / "much.kmz"),
        "kmz, lying": lying(packed({"doc.kml": spaces(megabytes, head=head.encode(), tail=tail.encode())}, folder / "lying.kmz"), 300),
        "entities": folder / "entities.kml",
        "blocks of blocks": _blocks(folder / "blocks.dxf", depth=8, each=10),
        "block in rows": _rows_of_blocks(folder / "rows.dxf"),
        "flatgeobuf": _flatgeobuf(folder / "claims.fgb"),
        "shapefile": _shapefile(folder / "claims.shp"),
    }  # fmt: skip


def _blocks(path: Path, *, depth: int, each: int) -> Path:
    """A drawing in which a block holds ten blocks that hold ten blocks."""
    drawing = ezdxf.new()
    inner = drawing.blocks.new("b0")
    inner.add_lwpolyline([(0, 0), (1, 0), (1, 1), (0, 1)], close=True)
    for level in range(1, depth + 1):
        block = drawing.blocks.new(f"b{level}")
        for n in range(each):
            block.add_blockref(f"b{level - 1}", (n, level))
    drawing.modelspace().add_blockref(f"b{depth}", (0, 0))
    drawing.saveas(path)
    return path


def _rows_of_blocks(path: Path) -> Path:
    """A block that stands there thirty thousand times thirty thousand times."""
    drawing = ezdxf.new()
    drawing.blocks.new("b").add_lwpolyline([(0, 0), (1, 0), (1, 1), (0, 1)], close=True)
    many = {"row_count": 30000, "column_count": 30000, "row_spacing": 2, "column_spacing": 2}
    drawing.modelspace().add_blockref("b", (0, 0), dxfattribs=many)
    drawing.saveas(path)
    return path


def _flatgeobuf(path: Path) -> Path:
    """A header whose length is given as four thousand million bytes."""
    path.write_bytes(b"fgb\x03fgb\x00" + struct.pack("<I", 2**32 - 16) + bytes(64))
    return path


def _shapefile(path: Path) -> Path:
    """A polygon of two thousand million corners, as its record says."""
    record = struct.pack("<i4d2i", 5, 0, 0, 1, 1, 1, 2**31 - 1) + struct.pack("<i", 0) + bytes(64)
    head = struct.pack(">7i", 9994, 0, 0, 0, 0, 0, 50 + 4 + len(record) // 2)
    box = struct.pack("<2i8d", 1000, 5, 0, 0, 1, 1, 0, 0, 0, 0)
    path.write_bytes(head + box + struct.pack(">2i", 1, len(record) // 2) + record)
    path.with_suffix(".shx").write_bytes(head + box + struct.pack(">2i", 50, len(record) // 2))
    return path


def clouds(folder: Path, las: Path, laz: Path) -> dict[str, Path]:
    """Scans that claim more points than they hold."""
    found = {}
    for name, source in (("las", las), ("laz", laz)):
        data = bytearray(source.read_bytes())
        data[107:111] = struct.pack("<I", 2**32 - 1)  # number of points, LAS 1.2
        found[name] = folder / f"claims.{name}"
        found[name].write_bytes(data)
    data = bytearray(laz.read_bytes())
    (start,) = struct.unpack_from(
        "<I", data, 96
    )  # of the points; they begin with the place of the table of chunks
    (table,) = struct.unpack_from("<q", data, start)
    for name, claimed in (("chunks", 2**32 - 1), ("table", None)):
        spoilt = bytearray(data)
        if claimed is None:
            struct.pack_into("<q", spoilt, start, 2**62)
        else:
            struct.pack_into("<I", spoilt, table + 4, claimed)
        found[name] = folder / f"claims-{name}.laz"
        found[name].write_bytes(spoilt)
    spoilt = bytearray(data)
    struct.pack_into("<I", spoilt, 100, 2**32 - 1)  # records between the head and the points
    found["records"] = folder / "claims-records.laz"
    found["records"].write_bytes(spoilt)
    spoilt = bytearray(data)
    items = (
        spoilt.index(b"laszip encoded") + 16 + 4 + 32 + 32
    )  # of the record: how many parts a point is packed in
    spoilt[items : items + 2] = bytes(2)
    found["items"] = folder / "claims-items.laz"
    found["items"].write_bytes(spoilt)
    lines = ["ply", "format binary_little_endian 1.0", f"element vertex {MANY}", *(f"property double {a}" for a in "xyz"), "end_header", ""]  # fmt: skip
    found["ply"] = folder / "claims.ply"
    found["ply"].write_bytes("\n".join(lines).encode() + bytes(240))
    return found


def _tiff(path: Path, side: int, *, deflate: bool) -> Path:
    """A grey picture of one strip, by its tags alone (TIFF 6.0)."""
    strip = zlib.compress(bytes(1000)) if deflate else bytes(1000)
    tags = [(256, 4, side), (257, 4, side), (258, 3, 8), (259, 3, 8 if deflate else 1), (262, 3, 1), (273, 4, 200), (277, 3, 1), (278, 4, side), (279, 4, len(strip))]  # fmt: skip
    body = struct.pack("<H", len(tags))
    body += b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in tags)
    path.write_bytes((b"II*\0" + struct.pack("<I", 8) + body + bytes(4)).ljust(200, b"\0") + strip)
    return path


def _png(path: Path, side: int) -> Path:
    """Black, as one stream of nothing (PNG, ISO/IEC 15948)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    packer = zlib.compressobj(9)
    rows = b"".join(packer.compress(bytes(side + 1)) for _ in range(side)) + packer.flush()
    head = struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0)
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b""))  # fmt: skip
    return path


def _jpeg(path: Path) -> Path:
    """The frame of a picture of 65,500 by 65,500, and nothing in it."""
    frame = b"\xff\xc0\x00\x0b\x08" + struct.pack(">HH", 65500, 65500) + b"\x01\x01\x11\x00"
    path.write_bytes(b"\xff\xd8" + frame + b"\xff\xd9")
    return path


def pictures(folder: Path, *, side: int) -> dict[str, Path]:
    """Pictures of so many pixels a side in few bytes."""
    return {
        "tiff": _tiff(folder / "plain.tif", side, deflate=False),
        "tiff, deflate": _tiff(folder / "deflate.tif", side, deflate=True),
        "png": _png(folder / "much.png", side),
        "jpeg": _jpeg(folder / "frame.jpg"),
    }


Making = Callable[..., dict[str, Path]]
