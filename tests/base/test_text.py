"""Text fit for its place: no command on a screen, no control in an XML file, no path in a name."""

from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from siteplanner.base.text import (
    printable,
    slug,
    uncommanded,
    unique_slugs,
    unturned,
    utf8,
    visible,
    xml_text,
)

ANY_TEXT = st.text(st.characters(exclude_categories=()), max_size=80)


@given(ANY_TEXT)
def test_what_a_screen_gets_is_one_line_without_commands(text):
    line = visible(text)
    assert len(line.splitlines()) <= 1
    assert not any(ord(c) < 32 or 127 <= ord(c) < 160 or c in "\u202e\u2066" for c in line)


@given(ANY_TEXT)
def test_whatever_is_in_a_text_xml_can_be_read_back(text):
    said = xml_text(text)
    element = ET.Element("name")
    element.text = said
    read = ET.fromstring(ET.tostring(element, encoding="unicode")).text or ""
    assert read == said.replace("\r\n", "\n").replace("\r", "\n")


@pytest.mark.parametrize("bad", ["\x00", "\x0b", "\x1f", "\ud800", "\udfff", "\ufffe", "\uffff"])
def test_what_xml_cannot_hold_becomes_a_question_mark(bad):
    assert xml_text(f"a{bad}b") == "a?b"


@pytest.mark.parametrize("good", ["\t", "\n", " ", "é", "\ud7ff", "\ue000", "\ufffd", "\U00010000"])
def test_what_xml_holds_stays(good):
    assert xml_text(good) == good


@given(ANY_TEXT)
def test_print_uses_only_the_letters_a_typeface_has(text):
    letters = frozenset(range(32, 127))
    assert {ord(c) for c in printable(text, letters)} <= letters
    assert printable(text, range(0x110000)) == uncommanded(text)


def test_breaks_part_words_and_marks_without_shape_go():
    assert uncommanded("Top\tflat\r\nnorth\u2028\u202e\u200b\x07") == "Top flat north "
    assert unturned("12\u202e34") == "12\ufffd34"


@given(ANY_TEXT)
def test_any_text_has_bytes(text):
    assert utf8(text).decode() == "".join("?" if 0xD800 <= ord(c) < 0xE000 else c for c in text)


@given(ANY_TEXT)
def test_a_slug_is_a_safe_name_and_its_own_slug(text):
    name = slug(text)
    assert set(name) <= set("abcdefghijklmnopqrstuvwxyz0123456789-") and len(name) <= 60
    assert not name.startswith("-") and not name.endswith("-")
    assert slug(name) == name


@given(st.lists(ANY_TEXT, max_size=8))
def test_file_names_are_safe_and_never_the_same(texts):
    stems = unique_slugs(texts)
    assert len(set(stems)) == len(texts)
    assert all(s and set(s) <= set("abcdefghijklmnopqrstuvwxyz0123456789_") for s in stems)


def test_alike_names_are_numbered():
    assert unique_slugs(["A b", "a-b", "A b 2", "Ä b"]) == ["a_b", "a_b_2", "a_b_2_2", "a_b_3"]
    assert unique_slugs(["../"]) == ["unnamed"]
