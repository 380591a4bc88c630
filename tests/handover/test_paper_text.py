"""Text on paper: what is made smaller to fit is not cut as well."""

from hypothesis import example, given
from hypothesis import strategies as st

from siteplanner.handover.paper.text import BOLD, cut_to, fonts, size_within


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
