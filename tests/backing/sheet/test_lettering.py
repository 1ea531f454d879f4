"""Letters as outlines: every figure has ink, accidentals are drawn, sizes scale."""

from __future__ import annotations

import pytest

from backing.sheet.lettering import CAP, FACES, FONTS, GLYPHS, chord_name, glyph, outlined, text


@pytest.mark.parametrize("name", GLYPHS)
def test_every_glyph_has_ink(name: str) -> None:
    drawn = glyph(name)
    assert drawn.right > drawn.left
    assert drawn.bottom > drawn.top


def test_a_note_head_is_a_staff_space_high() -> None:
    # SMuFL 1.4: an em is four staff spaces; a black note head fills about one.
    head = glyph("head")
    assert head.bottom - head.top == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize("face", FACES)
def test_figures_are_as_high_as_they_say(face: str) -> None:
    for figure in "0123456789":
        drawn = text(figure, 10.0, face)
        assert -drawn.top == pytest.approx(10 * CAP, abs=0.3)


def test_text_scales() -> None:
    small, large = text("let ring", 1.0), text("let ring", 2.0)
    assert large.right == pytest.approx(2 * small.right, rel=1e-3)
    assert large.advance == pytest.approx(2 * small.advance, rel=1e-3)


def test_flats_and_sharps_are_not_letters() -> None:
    assert chord_name("Bb7", 2.0).svg != text("Bb7", 2.0, "bold").svg
    assert glyph("flat", 2.0 * 0.32).svg in chord_name("Bb7", 2.0).svg
    assert glyph("sharp", 2.0 * 0.32).svg in chord_name("C#m7b5", 2.0).svg


def test_letters_become_outlines() -> None:
    drawn = text("<&>", 2.0, "italic").svg
    assert drawn.startswith("<text ")
    assert drawn.endswith(">&lt;&amp;&gt;</text>")
    paths = outlined(f"<g>{drawn}</g>")
    assert paths.startswith("<g><path ")
    assert paths.count("<path ") == 3
    assert "<text" not in paths
    # The letter of a flat is there for a search alone.
    name = chord_name("Bb7", 2.0).svg
    assert name.count("<text ") == 3
    assert outlined(name).count("<path ") == 3


def test_a_letter_without_a_shape_does_no_harm() -> None:
    assert text("漢", 1.0).advance > 0


def test_the_licence_is_beside_the_fonts() -> None:
    assert "SIL OPEN FONT LICENSE Version 1.1" in (FONTS / "OFL.txt").read_text(encoding="utf-8")
    assert {path.name for path in FONTS.glob("*.ttf")} == {
        f"FiraSans-{style}.ttf" for style in FACES.values()
    }
