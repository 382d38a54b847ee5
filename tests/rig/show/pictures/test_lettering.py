"""Words made to fit."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.show.pictures.lettering import printable, shortened, text_width, wrapped
from rig.show.wording import length_text, metres_text, signed, tick_texts, time_text

words = st.text(alphabet="abc ", max_size=80)


@given(text=words, width=st.integers(3, 30))
def test_no_wrapped_line_is_too_wide(text, width):
    assert all(len(line) <= width for line in wrapped(text, width, len))


@given(text=words)
def test_wrapping_loses_no_word_that_fits(text):
    assert " ".join(wrapped(text, 80, len)).split() == text.split()


def test_a_number_is_not_parted_from_its_unit():
    assert wrapped("it is 2.5 m away", 9, len) == ["it is", "2.5 m", "away"]
    assert wrapped("hear 344 m/s, then 5 marks", 12, len) == ["hear", "344 m/s,", "then 5 marks"]
    assert wrapped("hear 5 marks", 8, len) == ["hear 5", "marks"]


def test_k_is_not_parted_from_its_two():
    assert wrapped("unsure by 9 mm (k = 2).", 19, len) == ["unsure by 9 mm", "(k = 2)."]


@given(text=words, width=st.integers(1, 100))
def test_shortened_text_fits_and_keeps_both_ends(text, width):
    short = shortened(text, width, len)
    assert len(short) <= width
    if len(text) > width >= 3:
        assert (short[0], short[-1]) == (text[0], text[-1])
    if len(text) <= width:
        assert short == text


def test_width_is_in_proportion_to_size():
    small, large = text_width("1.234 m", size_pt=12), text_width("1.234 m", size_pt=24)
    # Glyphs are fitted to a grid of 1/64 dot at 100 points: 1e-3 of a letter.
    assert large == pytest.approx(2 * small, rel=1e-3)


def test_characters_that_the_font_lacks_are_replaced():
    assert printable("Gerät\n音 µ") == "Gerät ? µ"


@pytest.mark.parametrize(
    ("u_range_m", "text"),
    [(0.0, "1.235"), (0.05, "1.23"), (0.002, "1.235"), (0.0009, "1.235"), (1e-4, "1.2346")],
)
def test_range_has_no_more_digits_than_its_uncertainty_bears(u_range_m, text):
    assert metres_text(1.23456, u_range_m) == text


def test_unknown_uncertainty_does_not_stop_a_range_from_being_written():
    assert metres_text(1.5, float("inf")) == "1.500"


def test_negative_numbers_carry_a_true_minus_and_zero_none():
    assert signed(-41.25) == "\N{MINUS SIGN}41.2"
    assert signed(-0.01) == "0.0"


def test_ticks_of_one_axis_share_their_digits():
    assert tick_texts([0.0, 0.5, 1.0]) == ["0.0", "0.5", "1.0"]
    assert tick_texts([-20.0, 0.0]) == ["\N{MINUS SIGN}20", "0"]


def test_units_follow_the_size():
    assert (length_text(0.066), length_text(1.5)) == ("6.6 cm", "1.50 m")
    assert (time_text(0.012), time_text(2.0)) == ("12 ms", "2 s")


@given(st.lists(st.text("iWm", min_size=1, max_size=9), max_size=30), st.floats(1.0, 200.0))
def test_each_line_holds_as_many_words_as_fit(words: list[str], width: float) -> None:
    """Letters are as unlike as an i and a W, so that none is as wide as the mean one."""

    def measure(text: str) -> float:
        return sum({"i": 1.0, " ": 1.0, "m": 4.0}.get(letter, 6.0) for letter in text)

    lines: list[str] = []
    for word in words:
        if lines and measure(f"{lines[-1]} {word}") <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(shortened(word, width, measure))
    assert wrapped(" ".join(words), width, measure) == lines
