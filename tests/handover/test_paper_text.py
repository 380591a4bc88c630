"""Text on paper: what is made smaller to fit is not cut as well."""

from io import BytesIO

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from reportlab.pdfgen.canvas import Canvas

from siteplanner.handover.paper.pages import A4, Pen
from siteplanner.handover.paper.text import BOLD, FONT, cut_to, fonts, size_within


@given(
    words=st.text(st.characters(codec="ascii", categories=("L", "Nd", "Zs")), min_size=1).map(
        lambda text: f"Block {text}"
    ),
    width=st.floats(20, 600),
)
@example("Block D1: run sheet for the day; experienced people only", 322.0)
def test_words_at_the_size_that_fits_are_written_whole(words, width):
    fonts()
    assert cut_to(words, width, BOLD, size_within(words, width, BOLD, 12)) == words


@pytest.mark.parametrize(
    ("align", "name"),
    [("left", "drawString"), ("right", "drawRightString"), ("centre", "drawCentredString")],
)
def test_lines_are_written_as_reportlab_writes_them(align, name):
    fonts()
    ours, theirs = (Canvas(BytesIO(), invariant=1) for _ in range(2))
    pen = Pen(ours, *A4)
    for size, font in ((7, FONT), (9.5, BOLD), (7, FONT)):
        for words in ("12 ABC", "row (3) \\ b", "12 ABC", "Knöll"):
            pen.text(20, 30, words, size, bold=font == BOLD, align=align)
            theirs.setFont(font, size)
            getattr(theirs, name)(*pen.at(20, 30), words)
    assert ours._code == theirs._code
