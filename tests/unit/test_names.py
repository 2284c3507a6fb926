"""Ids have one grammar, and files made from them go where they belong."""

from __future__ import annotations

import string
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from facademap.tables.names import LONGEST_ID, as_id, file_name, id_fault, same_id, unique_id


@pytest.mark.parametrize("good", ["R-001", "river-front.main", "_x", "B-01.1", "7", "a" * 100])
def test_words_of_letters_digits_and_three_signs_are_ids(good: str) -> None:
    assert id_fault(good) is None
    assert as_id(good) == file_name(good) == good


@pytest.mark.parametrize(
    "bad",
    [
        "",
        ".hidden",
        "..",
        "../../../victim",
        "a/b",
        "a\\b",
        "a b",
        "Süd",
        "x.",
        "-x",
        "a:b",
        "=1",
        "a\n",
        "CON",
        "nul.tif",
        "a" * 101,
        "<b>",
        "\u202e",
    ],
)
def test_other_words_are_not(bad: str) -> None:
    assert id_fault(bad)
    assert id_fault(as_id(bad)) is None
    assert id_fault(file_name(bad)) is None


def test_the_nearest_id_is_still_known_by_people() -> None:
    assert as_id("Süd 3/4") == "Sud-3-4"
    assert as_id("IMG 001 (2).JPG") == "IMG-001-2-.JPG"
    assert as_id("照片.jpg").endswith(".jpg")
    assert as_id("照片.jpg") != as_id("写真.jpg")
    assert as_id("x" * 200 + ".jpg").endswith(".jpg")
    assert unique_id("b-1", ["B-1", "b-1-2"]) == "b-1-3"
    assert same_id("B-1") == same_id("b-1")


def test_keys_made_from_ids_are_joined() -> None:
    assert id_fault("main:K01", joined=True) is None
    assert id_fault("main:K 1", joined=True)
    assert id_fault("main:K01")


@given(st.text(max_size=300) | st.text(string.printable, max_size=40))
def test_whatever_people_write_there_is_an_id_and_a_file(text: str) -> None:
    word = as_id(text)
    assert id_fault(word) is None
    assert as_id(word) == word
    name = file_name(text)
    assert id_fault(name) is None
    assert len(name) <= LONGEST_ID
    assert Path("/root", name).parent == Path("/root")


@given(st.text(max_size=60), st.text(max_size=60))
def test_different_texts_have_different_files(a: str, b: str) -> None:
    assert (file_name(a) == file_name(b)) == (a == b)
