"""The page: what it says, in which order, that nothing is lost, and that nothing from a log can break it."""

import re
from html.parser import HTMLParser

import pandas as pd
import pytest

from lowtail import InputError, check_breaks, write_report

OPTIONS = {"title": "Invented tests", "author": "A tester", "command": "lowtail report x.csv", "checks": True}
EVIL = "<script>alert(1)</script>"


def make_log(**changes):
    """A small invented log: two things, two methods, a survivor, a slip, a void run; everything by hand."""
    rows = []

    def add(item, orientation, method, loads, rated, **more):
        for load in loads:
            rows.append({
                "specimen": f"S{len(rows) + 1}", "item": item, "orientation": orientation, "method": method,
                "load [kN]": load, "outcome": "broke", "rated [kN]": rated, "batch": "P1", "note": "", **more,
            })  # fmt: skip

    add("steel oval", "major axis", "slow pull", [26.4, 27.9, 27.1, 26.8, 28.3], 18)
    add("steel oval", "major axis", "shock", [24.9, 25.8, 26.6, 24.1], 18, **{"sample rate [Hz]": 1200})
    add("sling", "straight", "slow pull", [21.2, 23.9, 24.4, 22.7, 25.1], 22)
    rows[-1]["outcome"] = "held"
    rows[-2]["outcome"] = "slipped"
    add("sling", "straight", "slow pull", [3.0], 22)
    rows[-1] |= {"outcome": "invalid", "note": "shackle not closed"}
    for row in rows:
        row |= changes
    return check_breaks(pd.DataFrame(rows))


class Outline(HTMLParser):
    """Headings in order, ids, and tags left open."""

    VOID = ("meta", "link", "br", "img", "hr", "input")

    def __init__(self):
        super().__init__()
        self.headings, self.ids, self.open, self.links = [], [], [], []

    def handle_starttag(self, tag, attrs):
        found = dict(attrs)
        if "id" in found:
            self.ids.append(found["id"])
        if tag == "a":
            self.links.append(found.get("href", ""))
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        if "id" in dict(attrs):
            self.ids.append(dict(attrs)["id"])

    def handle_endtag(self, tag):
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-3:]}"
        self.open.pop()


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "page.html"
    report = write_report(make_log(), path, **OPTIONS)
    return report, path.read_text(encoding="utf-8")


def plain(html):
    text = re.sub(r"<(style|svg).*?</\1>", " ", html, flags=re.S)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text).replace("\u00a0", " "))


def test_sections_stand_in_the_order_a_reader_asks(page):
    titles = re.findall(r'<h2 id="(\w+)">', page[1])
    order = "contents tested strength figures compare rating plan checks cautions depth methods reader raw provenance"
    assert titles == order.split()


def test_the_page_is_well_formed_with_ids_that_stand_once_and_links_that_lead_somewhere(page):
    outline = Outline()
    outline.feed(page[1])
    assert outline.open == []
    assert len(outline.ids) == len(set(outline.ids))
    assert all(link.startswith("#") and link[1:] in outline.ids for link in outline.links)
    assert outline.headings[0] == 1
    assert all(after - before <= 1 for before, after in zip(outline.headings, outline.headings[1:], strict=False))


def test_rows_in_are_rows_used_plus_rows_set_aside(page):
    report, html = page
    assert (report.rows_in, report.rows_used, report.rows_set_aside) == (15, 14, 1)
    assert "Rows in the log: 15 = 14 used + 1 set aside. Of the 14 used, 12 broke, 1 held, 1 slipped." in plain(html)
    assert "invalid: shackle not closed" in plain(html)


def test_the_first_box_answers_and_the_caution_follows_at_once(page):
    report, html = page
    words = plain(html)
    assert report.claim[0] == "14 specimens in 3 groups: 12 broke, 1 held, 1 slipped."
    assert any("Shock against slow pull in 1 group" in line for line in report.claim)
    assert words.index(report.claim[0]) < words.index("Not a rating and not a certificate") < words.index("Contents")
    assert "makers' instructions, local codes and licensed practice decide" in words.replace("&#39;", "'")


def test_no_bound_is_written_higher_than_it_is(page):
    report, html = page
    for basis in report.answers.bases:
        for column in (f"{basis} [kN]", f"{basis}, Weibull [kN]", f"{basis}, normal [kN]"):
            for low in report.answers.table[column]:
                written = [float(x) for x in re.findall(r">(\d+\.?\d*)</td>", html)]
                below = [w for w in written if low * 0.99 < w <= low * (1 + 1e-12)]
                assert below, f"{column} {low} is not on the page, or only rounded up"


def test_what_the_reader_must_know_is_there(page):
    words = plain(page[1])
    assert "sampled at down to 1200 a second" in words
    assert "slipped" in words and "All specimens come from one batch (P1)" in words
    assert "lowtail report x.csv" in words and "Seed of everything that is drawn at random: 0" in words


def test_the_page_asks_for_nothing_from_outside(page):
    html = page[1]
    assert "<script" not in html
    outside = [u for u in re.findall(r'(?:src|href)="([^"#][^"]*)"', html) if not u.startswith("data:")]
    assert outside == []
    assert not re.search(r"url\((?!#)", html) and "@import" not in html


def test_every_figure_has_words_for_those_who_cannot_see_it(page):
    html = page[1]
    labels = re.findall(r'<svg role="img" aria-label="([^"]+)"', html)
    assert len(labels) == html.count("<svg") >= 6
    assert all(len(label) > 30 for label in labels)


def test_a_page_without_checks_says_so(hostile, page):
    words = "This page did not ask whether the breaks contradict the distribution"
    assert words in plain(hostile[1]) and words not in plain(page[1])


def test_the_same_log_gives_the_same_page(page, tmp_path):
    again = tmp_path / "page.html"
    write_report(make_log(), again, **OPTIONS)
    assert again.read_text(encoding="utf-8") == page[1]


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """A page, a PDF and a table from a log that tries to break them."""
    folder = tmp_path_factory.mktemp("hostile")
    log = make_log(
        item=f'{EVIL} "#[x] קרבינה 🧗', note='" onmouseover="alert(1) ' + "x" * 10_000, batch="'><img src=x>",
        orientation="</section></main>", instrument="=cmd()",
    )  # fmt: skip
    report = write_report(
        log,
        folder / "p.html",
        title=EVIL,
        author=EVIL,
        compare=None,
        checks=False,
        pdf=True,
        table_file=folder / "t.csv",
    )
    return report, (folder / "p.html").read_text(encoding="utf-8"), folder


def test_text_from_a_log_cannot_become_markup(hostile):
    html = hostile[1]
    assert "<script" not in html and "<img" not in html and 'onmouseover="' not in html
    assert html.count("</main>") == 1
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in html
    outline = Outline()
    outline.feed(html)
    assert outline.open == []


def test_long_notes_are_cut_and_say_so(hostile):
    assert re.search(r"\(100\d\d characters\)", hostile[1]) and "x" * 400 not in hostile[1]


def test_other_scripts_and_pictograms_pass_through(hostile):
    assert "קרבינה 🧗" in hostile[1]


def test_pdf_and_table_come_from_the_same_answers(hostile):
    report, _, folder = hostile
    assert (folder / "p.pdf").read_bytes().startswith(b"%PDF")
    table = pd.read_csv(folder / "t.csv")
    pd.testing.assert_series_equal(table["B-basis [kN]"], report.answers.table["B-basis [kN]"])


def test_a_page_of_some_groups_says_that_others_are_left_out(tmp_path):
    report = write_report(make_log(), tmp_path / "p.html", only=["STEEL"])
    words = plain((tmp_path / "p.html").read_text(encoding="utf-8"))
    assert report.n_groups == 2
    assert "This page shows only groups whose name holds" in words and "6 rows of other groups" in words


def test_a_claim_takes_the_place_of_the_ratings(tmp_path):
    report = write_report(make_log(), tmp_path / "p.html", claim=20, only=["sling"], units="lbf")
    words = plain((tmp_path / "p.html").read_text(encoding="utf-8"))
    assert set(report.answers.ratings["rated_kN"]) == {20.0}
    assert "The claim" in words and "20.0 kN (4,500 lbf)" in words


def test_without_ratings_or_shock_the_page_says_so(tmp_path):
    log = make_log(**{"rated [kN]": None, "method": "slow pull"})
    report = write_report(log, tmp_path / "p.html")
    words = plain((tmp_path / "p.html").read_text(encoding="utf-8"))
    assert report.answers.comparisons is None
    assert "no ratings" in words and "Lowest B-basis bound" in report.claim[1]


@pytest.mark.parametrize(
    ("path", "options", "words"),
    [
        ("nowhere/p.html", {}, "a folder that does not exist"),
        ("p.txt", {}, r"must end in \.html"),
        ("p.html", {"units": "kg"}, "`units` must be"),
        ("p.html", {"claim": -1}, "`claim` must be a strength in kN"),
        ("p.html", {"only": ["rope"]}, r"`only` 'rope' matches no group\. Groups: steel oval"),
        ("p.html", {"by": ("colour",)}, "`by` names 'colour'"),
    ],
)
def test_wrong_arguments_are_refused_before_anything_is_written(tmp_path, path, options, words):
    with pytest.raises(InputError, match=words):
        write_report(make_log(), tmp_path / path, **options)
    assert list(tmp_path.iterdir()) == []


def test_a_log_in_which_nothing_broke_gets_a_page_that_says_so(tmp_path):
    report = write_report(make_log(outcome="held"), tmp_path / "p.html")
    assert not report.answers.possible
    words = plain((tmp_path / "p.html").read_text(encoding="utf-8"))
    assert "Too few breaks for any statement on B-basis" in words and "none of 6 specimens broke" in words


def test_the_record_is_a_sentence_and_a_row(page):
    report = page[0]
    assert str(report).endswith("3 groups, 15 rows = 14 used + 1 set aside.")
    assert report.to_frame().shape[0] == 1
    assert "<table>" in report._repr_html_()


def test_the_short_page_leaves_out_what_is_folded_and_keeps_the_numbers(page, tmp_path):
    full = page[1]
    write_report(make_log(), tmp_path / "p.html", short=True)
    text = (tmp_path / "p.html").read_text(encoding="utf-8")
    assert "<details" not in text and "<details" in full
    assert "This is the short page." in plain(text) and "This is the short page." not in plain(full)
    for key in ("tested", "strength", "figures", "compare", "rating", "plan", "cautions", "provenance"):
        assert f'id="{key}"' in text
    table = re.compile(r"<table>.*?</table>", re.S)
    assert set(table.findall(text)) <= set(table.findall(full))
