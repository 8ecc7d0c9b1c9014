"""Files repeat, text stays text, and a page's figures bring nothing that could break the page."""

import re
import xml.etree.ElementTree as ET

import matplotlib as mpl
import pytest

from lowtail import InputError, Sample
from lowtail.plot import breaks as plot_breaks
from lowtail.report import style


def luminance(colour):
    def linear(c):
        return c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4

    r, g, b = (linear(int(colour[i : i + 2], 16) / 255) for i in (1, 3, 5))
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def test_colours_meet_the_contrast_of_graphical_objects():
    # WCAG 2.2, success criterion 1.4.11: 3 to 1 for graphical objects; 1.4.3: 4.5 to 1 for text
    for one in style.LOOKS:
        assert 1.05 / (luminance(one.colour) + 0.05) >= 3
    for text in (style.INK, style.MUTED, style.WARN):
        assert 1.05 / (luminance(text) + 0.05) >= 4.5


def test_the_first_two_series_differ_in_grey_and_all_differ_in_marker():
    first, second = (luminance(one.colour) + 0.05 for one in style.LOOKS[:2])
    assert max(first, second) / min(first, second) > 1.8
    assert len({one.marker for one in style.LOOKS}) == len(style.LOOKS)


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_the_same_data_give_the_same_file(tmp_path, kind, samples):
    files = [style.save_figure(plot_breaks(samples), tmp_path / f"{name}.{kind}") for name in "ab"]
    first, second = (f.read_bytes() for f in files)
    assert first == second
    assert not any(word in first for word in (b"<dc:date", b"CreationDate", b"tIME"))


def test_svg_holds_real_text(tmp_path, samples):
    root = ET.parse(style.save_figure(plot_breaks(samples), tmp_path / "a.svg")).getroot()
    words = "".join(root.itertext())
    assert "load at break, or highest load held [kN]" in words
    assert "steel oval" in words


def test_inline_svg_has_unique_ids_and_escaped_words(samples):
    first = style.inline_svg(plot_breaks(samples), "one", 'says "so" <b>')
    second = style.inline_svg(plot_breaks(samples), "two", "x")
    ids = re.findall(r'\bid="([^"]+)"', first + second)
    assert len(ids) == len(set(ids))
    assert 'aria-label="says &quot;so&quot; &lt;b&gt;"' in first
    for used in re.findall(r'url\(#([^)]+)\)|href="#([^"]+)"', first):
        assert (used[0] or used[1]) in ids
    assert "#20272e" not in first and "var(--ink)" in first
    ET.fromstring(first.replace("xlink:", ""))


def test_names_from_a_log_cannot_become_markup_or_mathematics():
    sample = Sample([10.0, 11.0], label="<script>alert(1)</script> costs $5 or $6 \\frac{")
    svg = style.inline_svg(plot_breaks(sample), "x", "y")
    assert "<script>" not in svg
    assert "$5 or $6" in re.sub(r"<[^>]+>", " ", svg)


def test_letters_the_font_lacks_do_not_warn(tmp_path):
    style.save_figure(plot_breaks(Sample([10.0, 11.0], label="מבחן 🧗 тест")), tmp_path / "a.svg")


def test_the_readers_own_settings_come_back(samples):
    before = mpl.rcParams["font.size"], mpl.rcParams["svg.fonttype"]
    plot_breaks(samples)
    assert (mpl.rcParams["font.size"], mpl.rcParams["svg.fonttype"]) == before


def test_another_ending_is_refused(samples):
    with pytest.raises(InputError, match=r"\.png, \.svg or \.pdf, got 'x\.bmp'"):
        style.save_figure(plot_breaks(samples), "x.bmp")
