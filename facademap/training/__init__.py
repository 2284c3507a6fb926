"""Training from the guide: questions, exercises, a sealed test, its results, and certificates that can be verified."""

from __future__ import annotations

from facademap.training.book import Book, Entry, read_book
from facademap.training.certificate import (
    Certificate,
    certificate_from,
    code_of,
    months_after,
    name_mark,
    same_code,
)
from facademap.training.exercises import Exercise, choose_exercises, choose_spare_stone, why_not
from facademap.training.items import LEAST_PERSONS, GroupFigures, Item, analyse_items
from facademap.training.questions import LETTERS, Known, Question, read_answers, read_questions
from facademap.training.sealed import SealedTest, sealed_from
from facademap.training.standing import (
    Sitting,
    Standing,
    need_appeal,
    need_decision,
    need_same_criteria,
    need_sitting,
    person_of,
    sittings_of,
    standing_of,
    struck_questions,
    test_of,
)

__all__ = [
    "LEAST_PERSONS",
    "LETTERS",
    "Book",
    "Certificate",
    "Entry",
    "Exercise",
    "GroupFigures",
    "Item",
    "Known",
    "Question",
    "SealedTest",
    "Sitting",
    "Standing",
    "analyse_items",
    "certificate_from",
    "choose_exercises",
    "choose_spare_stone",
    "code_of",
    "months_after",
    "name_mark",
    "need_appeal",
    "need_decision",
    "need_same_criteria",
    "need_sitting",
    "person_of",
    "read_answers",
    "read_book",
    "read_questions",
    "same_code",
    "sealed_from",
    "sittings_of",
    "standing_of",
    "struck_questions",
    "test_of",
    "why_not",
]
