"""The page in a real browser: nothing asked of the network, nothing to complain of, nothing wider than the screen."""

import os
from pathlib import Path

import numpy as np
import pandas as pd
import pypdf
import pytest

from lowtail import check_breaks, write_report

pytestmark = pytest.mark.browser

OVERFLOW = """(() => {
  const wide = [...document.querySelectorAll('body *')].filter(e => {
    if (e.closest('.wide') || e.closest('.skip')) return false;
    const box = e.getBoundingClientRect();
    return box.width > 0 && box.right > window.innerWidth + 1;
  });
  const page = document.documentElement.scrollWidth;
  return [page, window.innerWidth, wide.slice(0, 3).map(e => e.outerHTML.slice(0, 120))];
})()"""
# WCAG 2.2, success criterion 1.4.3: text against its ground at least 4.5 to 1 (3 to 1 where large)
CONTRAST = """(() => {
  const lum = c => { const [r, g, b] = c.match(/[\\d.]+/g).map(Number).map(v => v / 255)
      .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const ground = getComputedStyle(document.body).backgroundColor;
  const poor = [];
  for (const e of document.querySelectorAll('p, li, td, th, a, summary, figcaption, h1, h2, caption, span, svg text')) {
    const style = getComputedStyle(e);
    const ink = e.closest('svg') ? style.fill : style.color;
    const [a, b] = [lum(ink), lum(ground)].sort((x, y) => y - x);
    if ((a + 0.05) / (b + 0.05) < 4.5) poor.push([e.textContent.slice(0, 40), ink, ground]);
  }
  return poor.slice(0, 5);
})()"""
OVERLAP = """(() => {
  const bad = [];
  document.querySelectorAll('details').forEach(d => d.open = true);
  for (const svg of document.querySelectorAll('figure svg')) {
    const edge = svg.getBoundingClientRect();
    const texts = [...svg.querySelectorAll('text')].filter(t => t.textContent.trim());
    const boxes = texts.map(t => [t, t.getBoundingClientRect()]);
    for (const [t, b] of boxes)
      if (b.left < edge.left - 2 || b.right > edge.right + 2 || b.top < edge.top - 2 || b.bottom > edge.bottom + 2)
        bad.push('cut: ' + t.textContent);
    for (let i = 0; i < boxes.length; i++) for (let j = i + 1; j < boxes.length; j++) {
      const [s, a] = boxes[i], [t, b] = boxes[j];
      const w = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const h = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (w > 3 && h > 5) bad.push(s.textContent + ' / ' + t.textContent);
    }
  }
  return bad.slice(0, 8);
})()"""


def invented(n_items, seed=1, evil=""):
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(n_items):
        for method, factor in (("slow pull", 1.0), ("shock", 0.9)):
            middle = rng.uniform(8, 35) * factor
            for k in range(5):
                rows.append(
                    {
                        "specimen": f"{i}-{method[:2]}-{k}",
                        "item": f"invented item number {i + 1}{evil}",
                        "orientation": "major axis",
                        "method": method,
                        "load [kN]": round(middle * np.exp(rng.normal(0, 0.06)), 2),
                        "outcome": "broke",
                        "rated [kN]": round(0.75 * middle, 0),
                        "note": f"{evil} {'n' * (10_000 if evil else 5)}",
                    }
                )
    return check_breaks(pd.DataFrame(rows))


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """The demonstration page, a page of 40 groups, and a page from a log that tries to break it."""
    folder = tmp_path_factory.mktemp("pages")
    data = Path(__file__).parents[2] / "data" / "park_breaks.csv"
    from lowtail import read_breaks

    write_report(read_breaks(data), folder / "demo.html", title="Invented demonstration")
    write_report(invented(20), folder / "forty.html", title="Forty groups")
    evil = "<script>alert(1)</script>\"'><img src=https://example.invalid/x.png onerror=alert(2)> קרבינה 🧗"
    write_report(invented(1, evil=evil), folder / "evil.html", title=evil, author=evil)
    return folder


@pytest.mark.parametrize("name", ["demo", "forty", "evil"])
def test_nothing_is_asked_of_the_network_and_the_console_stays_silent(browser, pages, name):
    browser.open(pages / f"{name}.html")
    assert browser.complaints() == []
    assert browser.requests() == []
    assert browser.ask("document.scripts.length + document.images.length") == 0


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("name", ["demo", "forty", "evil"])
def test_nothing_is_wider_than_the_screen(browser, pages, name, width, tmp_path):
    browser.open(pages / f"{name}.html", width=width)
    browser.ask("document.querySelectorAll('details').forEach(d => d.open = true)")
    page, screen, wide = browser.ask(OVERFLOW)
    assert wide == []
    assert page <= screen
    browser.screenshot(tmp_path / "page.png")
    assert (tmp_path / "page.png").stat().st_size > 20_000


@pytest.mark.parametrize("name", ["demo", "forty"])
def test_a_desk_screen_shows_every_table_without_scrolling_sideways(browser, pages, name):
    """All but the rows of the log, which have as many columns as the tester wrote."""
    browser.open(pages / f"{name}.html", width=1280)
    tables = '.wide:not([aria-label^="The log as read"])'
    scrolls = f"[...document.querySelectorAll('{tables}')].filter(e => e.scrollWidth > e.clientWidth + 1)"
    assert browser.ask(f"{scrolls}.map(e => [e.getAttribute('aria-label'), e.scrollWidth, e.clientWidth])") == []


@pytest.mark.parametrize("dark", [False, True])
def test_text_stands_out_from_its_ground(browser, pages, dark):
    browser.open(pages / "demo.html", dark=dark)
    assert browser.ask(CONTRAST) == []


def test_no_label_of_a_figure_is_cut_or_covered(browser, pages):
    browser.open(pages / "demo.html")
    assert browser.ask(OVERLAP) == []


def test_forty_groups_stay_under_5_mb_with_the_details_folded(browser, pages):
    assert (pages / "forty.html").stat().st_size < 5_000_000
    browser.open(pages / "forty.html")
    assert browser.ask("[...document.querySelectorAll('details')].filter(d => d.open).length") == 0


def test_it_can_be_read_from_the_keyboard_and_by_heading(browser, pages):
    browser.open(pages / "demo.html")
    assert (
        browser.ask(
            "document.querySelectorAll('.wide:not([tabindex]), table:not(:has(caption)), th:not([scope])').length"
        )
        == 0
    )
    assert browser.ask("document.documentElement.lang") == "en"
    assert browser.ask("document.querySelectorAll('h1').length") == 1


def test_it_prints(browser, pages, tmp_path):
    browser.open(pages / "demo.html")
    browser.pdf(tmp_path / "page.pdf")
    assert (tmp_path / "page.pdf").read_bytes().startswith(b"%PDF")
    browser.call("Emulation.setEmulatedMedia", media="print", features=[])
    hidden = (
        "[...document.querySelectorAll('details table')].filter(t => t.getBoundingClientRect().height === 0).length"
    )
    assert browser.ask(hidden) == 0
    kept = (
        "getComputedStyle(document.querySelector('thead')).display + "
        "getComputedStyle(document.querySelector('h2')).breakAfter"
    )
    assert browser.ask(kept) == "table-header-groupavoid"
    browser.call("Emulation.setEmulatedMedia", media="", features=[])


def orphans(pdf, headings):
    """Pages that end in a heading."""
    known = {" ".join(h.split()) for h in headings}
    last = [[" ".join(line.split()) for line in page.extract_text().splitlines() if line.strip()] for page in pdf.pages]
    return [(number, lines[-1]) for number, lines in enumerate(last, start=1) if lines and lines[-1] in known]


@pytest.mark.parametrize("name", ["demo", "forty"])
def test_no_printed_page_ends_in_a_heading(browser, pages, name, tmp_path):
    browser.open(pages / f"{name}.html")
    browser.pdf(tmp_path / "page.pdf")
    headings = browser.ask("[...document.querySelectorAll('h1, h2, h3, summary, caption')].map(e => e.textContent)")
    pdf = pypdf.PdfReader(tmp_path / "page.pdf")
    printed = " ".join(" ".join(page.extract_text().split()) for page in pdf.pages)
    assert len(pdf.pages) > 5 and sum(" ".join(h.split()) in printed for h in headings) > 0.8 * len(headings)
    assert orphans(pdf, headings) == []


@pytest.mark.parametrize("name", ["demo", "forty", "evil"])
def test_axe_finds_no_serious_fault(browser, pages, name):
    """Runs where the environment variable AXE names a copy of axe.min.js (npm package axe-core)."""
    axe = os.environ.get("AXE", "")
    if not axe:
        pytest.skip("set AXE to the path of axe.min.js to run this")
    browser.open(pages / f"{name}.html")
    browser.ask("document.querySelectorAll('details').forEach(d => d.open = true)")
    browser.ask(Path(axe).read_text(encoding="utf-8") + ";1")
    found = browser.ask("axe.run().then(r => r.violations.map(v => [v.impact, v.id, v.nodes[0].html.slice(0, 160)]))")
    assert [v for v in found if v[0] in ("serious", "critical")] == []
