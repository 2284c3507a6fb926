"""Texts of the papers over random projects with names in five scripts: none below 5 pt, none over another, all in their page.

Boxes come from the content stream as PDFium reads it. ``python benchmarks/paper_texts.py 30`` makes thirty projects.
"""

from __future__ import annotations

import ctypes
import random
import sys
import tempfile
from collections import Counter
from pathlib import Path

import pypdfium2
import pypdfium2.raw as pdfium

sys.path.insert(0, str(Path(__file__).parents[1]))

LEAST_PT = 5.0
#: Two texts that share more than this share of the smaller are one over the other.
MOST_SHARED = 0.12
WORDS = {
    "latin": (
        "Straße am Rathausmarkt mit überlangem Namen",
        "Ostansicht Nebengebäude",
        "Roter Sandstein",
    ),
    "greek": ("Παλαιό Τελωνείο της προκυμαίας", "Νότια όψη", "Ψαμμίτης"),
    "cyrillic": ("Старая таможня на набережной", "Южный фасад", "Песчаник"),
    "arabic": ("مبنى الجمارك القديم على الرصيف", "الواجهة الجنوبية", "حجر رملي"),
    "han": ("旧海关大楼临河立面修缮工程", "南立面", "红砂岩"),
}


def texts_of(page: pypdfium2.PdfPage) -> list[tuple[str, tuple[float, float, float, float], float]]:
    """Each text object of a page: what it says, its box, and its size in points."""
    found, seen = [_outlined(one) for one in page.get_objects() if _says(one)], set()
    reader = page.get_textpage()
    for one in page.get_objects(filter=[pdfium.FPDF_PAGEOBJ_TEXT]):
        size = ctypes.c_float()
        pdfium.FPDFTextObj_GetFontSize(one.raw, size)
        a, b, *_ = one.get_matrix().get()
        needed = pdfium.FPDFTextObj_GetText(one.raw, reader.raw, None, 0)
        buffer = ctypes.create_string_buffer(needed)
        pdfium.FPDFTextObj_GetText(
            one.raw, reader.raw, ctypes.cast(buffer, ctypes.POINTER(ctypes.c_ushort)), needed
        )
        said = buffer.raw.decode("utf-16-le", "replace").rstrip("\0").strip()
        box = tuple(round(v, 2) for v in one.get_bounds())
        if said and (said, box) not in seen:  # a text with a rim of white is written twice
            seen.add((said, box))
            found.append((said, box, size.value * (a * a + b * b) ** 0.5))
    return found


def _says(one: pypdfium2.PdfObject) -> bool:
    """Whether outlines are marked as text: letters of other scripts."""
    if one.type != pdfium.FPDF_PAGEOBJ_PATH:
        return False
    return any(
        pdfium.FPDFPageObjMark_CountParams(pdfium.FPDFPageObj_GetMark(one.raw, k)) > 0
        for k in range(pdfium.FPDFPageObj_CountMarks(one.raw))
    )


def _outlined(
    one: pypdfium2.PdfObject,
) -> tuple[str, tuple[float, float, float, float], float]:
    """The same of such outlines; of what size they are does not stand in the file."""
    return "letters of another script", tuple(round(v, 2) for v in one.get_bounds()), LEAST_PT


def faults_of(pdf: bytes | Path) -> list[str]:
    """What is wrong with the texts of a PDF."""
    faults = []
    document = pypdfium2.PdfDocument(pdf)
    for number, page in enumerate(document, start=1):
        width, height = page.get_size()
        texts = texts_of(page)
        for said, (x0, y0, x1, y1), size in texts:
            if size < LEAST_PT - 0.01:
                faults.append(f"page {number}: {said[:30]!r} in {size:.1f} pt")
            if x0 < -1 or y0 < -1 or x1 > width + 1 or y1 > height + 1:
                faults.append(f"page {number}: {said[:30]!r} off the page")
        for n, (one, p, _) in enumerate(texts):
            for other, q, _ in texts[n + 1 :]:
                across, up = min(p[2], q[2]) - max(p[0], q[0]), min(p[3], q[3]) - max(p[1], q[1])
                if across <= 0.3 or up <= 0.3:
                    continue
                small = min((b[2] - b[0]) * (b[3] - b[1]) for b in (p, q))
                if across * up > MOST_SHARED * small:
                    faults.append(f"page {number}: {one[:30]!r} over {other[:30]!r}")
    return faults


def make(folder: Path, seed: int) -> dict[str, list[str]]:
    """Faults by paper of one random project."""
    from benchmarks.papers_project import make_project
    from facademap.tasks.issue.papers import Choices, make_papers

    draw = random.Random(seed)
    script = list(WORDS)[seed % len(WORDS)]
    project = make_project(
        folder, insets=draw.choice([1, 4, 9]), conditions=draw.choice([0, 3, 25]), seed=seed
    )
    with project.edit(who="benchmark", what="names") as edit:
        edit.set("name", WORDS[script][0])
        if draw.random() < 0.5:
            edit.set("profile", "inch")
        for row in project.read("elevations")["id"]:
            edit.update("elevations", row, {"name": WORDS[script][1]})
        for row in project.read("wall_stones")["id"]:
            edit.update("wall_stones", row, {"stone_type": WORDS[script][2]})
        for table in ("pieces", "blocks"):
            for row in project.read(table)["id"]:
                edit.update(table, row, {"stone_type": WORDS[script][2]})
    project.close()
    choices = Choices(
        paper=draw.choice(["A4", "Letter"]),
        sheet=draw.choice(["A3", "A1", "ARCH D"]),
        pictures=False,
    )
    result = make_papers(folder, choices=choices)
    out = folder / "out"
    return {
        name: faults_of(out / name)
        for files in result.files.values()
        for name in files
        if name.endswith(".pdf")
    }


def main(argv: list[str]) -> int:
    """Make so many projects from a first seed and tell what was found."""
    many, first = int(argv[0]) if argv else 5, int(argv[1]) if len(argv) > 1 else 0
    total: Counter[str] = Counter()
    for seed in range(first, first + many):
        with tempfile.TemporaryDirectory() as folder:
            for name, faults in make(Path(folder) / "p", seed).items():
                total[name] += len(faults)
                for fault in faults[:4]:
                    print(f"{seed} {name}: {fault}")
    print(f"{many} projects, {sum(total.values())} faults", dict(total))
    return int(bool(sum(total.values())))


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
