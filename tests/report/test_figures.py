"""Figures are judged by what they draw: points, marks, and text that stays on the canvas."""

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.colors import to_hex
from matplotlib.markers import MarkerStyle
from matplotlib.text import Text

from lowtail import InputError, NoAnswerError, Sample, compare, confidence_distribution, fit
from lowtail.models.distributions.families import get_family
from lowtail.plan import new_series as plan_bound
from lowtail.plot import breaks as plot_breaks
from lowtail.plot import comparison as plot_comparison
from lowtail.plot import facets
from lowtail.plot import lower_bounds as plot_lower_bounds
from lowtail.plot import plan as plot_plan
from lowtail.plot import probability as plot_probability
from lowtail.plot import summary as plot_summary


def drawn(ax, kind):
    """All x positions of the lines and points of one kind."""
    points = [np.asarray(c.get_offsets())[:, 0] for c in ax.collections if c.get_gid() == kind]
    lines = [line for line in ax.get_lines() if line.get_gid() == kind]
    if points:
        assert not lines
        return np.concatenate(points)
    return np.concatenate([np.asarray(line.get_xdata(), dtype=float) for line in lines]) if lines else np.array([])


def points(ax, kind):
    """The one collection of points of one kind."""
    (found,) = [c for c in ax.collections if c.get_gid() == kind]
    return found


def texts(ax):
    """Every text that is drawn: not the tick labels outside the view."""
    figure = ax.get_figure()
    figure.canvas.draw()
    found = {id(t): t for t in figure.findobj(match=Text) if t.get_visible() and t.get_text().strip()}
    for axes in figure.findobj(match=Axes):
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            for tick in axis.get_major_ticks() + axis.get_minor_ticks():
                if not low <= tick.get_loc() <= high:
                    for label in (tick.label1, tick.label2):
                        found.pop(id(label), None)
    return list(found.values())


def assert_tidy(ax):
    """No text leaves the canvas and no two texts overlap."""
    figure = ax.get_figure()
    boxes = [(t.get_text(), t.get_window_extent()) for t in texts(ax)]
    width, height = figure.canvas.get_width_height()
    for text, box in boxes:
        assert box.x0 >= -1 and box.y0 >= -1 and box.x1 <= width + 1 and box.y1 <= height + 1, f"{text!r} is cut"
    for i, (text, box) in enumerate(boxes):
        for other, its in boxes[i + 1 :]:
            wide = min(box.x1, its.x1) - max(box.x0, its.x0)
            high = min(box.y1, its.y1) - max(box.y0, its.y0)
            assert wide < 1 or high < 1, f"{text!r} overlaps {other!r}"


def test_every_specimen_is_drawn_and_survivors_are_open_with_an_arrow(samples):
    ax = plot_breaks(samples)
    assert sorted(drawn(ax, "broke")) == sorted(np.concatenate([s.load[s.broke] for s in samples]))
    held = sorted(np.concatenate([s.load[~s.broke] for s in samples]))
    assert sorted(drawn(ax, "held")) == held
    assert sorted(drawn(ax, "arrow")) == held
    assert {to_hex(c) for c in points(ax, "held").get_facecolor()} == {"#ffffff"}
    assert_tidy(ax)


def test_bounds_and_ratings_are_drawn_once_a_group(samples):
    low = {s.label: 0.7 * s.load.min() for s in samples}
    ax = plot_breaks(samples, low=low, rated={samples[0].label: 30.0}, low_name="B-basis")
    assert sorted(drawn(ax, "low")) == sorted(low.values())
    assert drawn(ax, "rated").tolist() == [30.0, 30.0]
    names = [t.get_text() for t in ax.get_legend().get_texts()]
    assert names == ["slow pull", "shock", "held: at least this strong", "B-basis", "rating"]
    assert_tidy(ax)


def test_arms_share_a_row_and_differ_in_marker(samples):
    ax = plot_breaks(samples)
    assert len(ax.get_yticks()) == 5
    shapes = {path.vertices.tobytes() for path in points(ax, "broke").get_paths()}
    expected = [MarkerStyle(m) for m in ("o", "D")]
    assert shapes == {m.get_path().transformed(m.get_transform()).vertices.tobytes() for m in expected}


def test_tied_loads_do_not_cover_one_another():
    ax = plot_breaks(Sample([20.0, 20.0, 20.0]))
    assert len(set(np.round(points(ax, "broke").get_offsets()[:, 1], 6))) == 3


def test_arrows_stay_on_the_canvas():
    sample = Sample([20.0, 21.0, 22.0], [True, True, False])
    ax = plot_breaks(sample)
    figure = ax.get_figure()
    figure.canvas.draw()
    right = ax.transData.transform((22.0, 0))[0] + points(ax, "arrow").get_sizes()[0] ** 0.5 / 2 * figure.dpi / 72
    assert right <= ax.get_window_extent().x1 + 1


def test_nothing_to_draw_is_refused():
    with pytest.raises(InputError, match="A figure needs a break log, a Sample or a list of Samples"):
        plot_breaks([])


@pytest.mark.parametrize("family", ["weibull", "normal", "lognormal"])
def test_the_band_holds_the_estimate_and_its_left_edge_is_the_low_bound(samples, family):
    sample = samples[0]
    ax = plot_probability(sample, family=family)
    law, chosen = fit(sample, family), get_family(family)
    (band,) = [c for c in ax.collections if c.get_gid() == "band"]
    corners = band.get_paths()[0].vertices
    for fraction in (0.01, 0.05, 0.1):
        height = float(chosen.quantile(fraction))
        at = corners[np.argsort(np.abs(corners[:, 1] - height))[:4]]
        assert at[:, 0].min() < law.strength_below(fraction) < at[:, 0].max()
    expected = [confidence_distribution(sample, family).low(p, 0.95) for p in (0.01, 0.1)]
    np.testing.assert_allclose(drawn(ax, "low"), expected, rtol=1e-9)
    assert_tidy(ax)


def test_the_fitted_law_is_a_straight_line_on_its_paper(samples):
    ax = plot_probability(samples[0], family="weibull")
    (line,) = [one for one in ax.get_lines() if one.get_gid() == "estimate"]
    slope = np.diff(line.get_ydata()) / np.diff(np.log(line.get_xdata()))
    np.testing.assert_allclose(slope, fit(samples[0]).shape, rtol=1e-9)


def test_breaks_stand_at_their_positions_and_survivors_apart(samples):
    sample = samples[0]
    ax = plot_probability(sample)
    assert sorted(drawn(ax, "broke")) == sorted(sample.load[sample.broke])
    assert sorted(drawn(ax, "held")) == sorted(sample.load[~sample.broke])


def test_a_fit_alone_draws_its_line_without_a_band(samples):
    ax = plot_probability(fit(samples[0]))
    assert not ax.collections
    assert_tidy(ax)


def test_a_sample_without_answer_is_refused_in_words():
    with pytest.raises(NoAnswerError, match="can be fitted"):
        plot_probability(Sample([20.0, 20.0, 20.0]))
    with pytest.raises(InputError, match="must be a Fit or one Sample, got a list of 1"):
        plot_probability([20.0])


def make_table(samples, rated=20.0):
    from lowtail import check_breaks, strength_table

    rows = [
        {
            "specimen": f"{i}-{j}",
            **s.group,
            "load [kN]": load,
            "outcome": "broke" if broke else "held",
            "rated [kN]": rated,
        }
        for i, s in enumerate(samples)
        for j, (load, broke) in enumerate(zip(s.load, s.broke, strict=True))
    ]
    log = check_breaks(pd.DataFrame(rows))
    return log, strength_table(log, bases=("A-basis", "B-basis"))


def test_low_bounds_are_drawn_for_every_group_and_basis(samples):
    _, table = make_table(samples[:4])
    ax = plot_lower_bounds(table)
    assert sorted(drawn(ax, "low")) == sorted([*table["A-basis [kN]"], *table["B-basis [kN]"]])
    assert sorted(drawn(ax, "weibull")) == sorted([*table["A-basis, Weibull [kN]"], *table["B-basis, Weibull [kN]"]])
    assert drawn(ax, "rated").size == 2 * 4
    markers = {line.get_marker() for line in ax.get_lines() if line.get_gid() == "low"}
    assert len(markers) == 2
    assert_tidy(ax)


def test_low_bounds_need_a_strength_table():
    with pytest.raises(InputError, match=r"must be a StrengthTable, got a DataFrame\. It is made by"):
        plot_lower_bounds(pd.DataFrame({"group": ["a"]}))


def test_a_comparison_draws_every_specimen_and_its_ratio_below(samples):
    result = compare(samples[6], Sample(samples[7].load, label="other", group=samples[7].group), margin=0.9)
    ax = plot_comparison(result)
    below = next(a for a in ax.get_figure().axes if a.get_label() == "ratio")
    loads = np.concatenate([s.load for s in result.samples])
    shown = np.concatenate([drawn(ax, "broke"), drawn(ax, "held")])
    assert sorted(shown) == sorted(loads)
    assert drawn(below, "ratio").tolist() == [result.ratio]
    assert drawn(below, "interval").tolist() == [result.ratio_low, result.ratio_high]
    (shade,) = [p for p in below.patches if p.get_gid() == "margin"]
    assert shade.get_x() + shade.get_width() == pytest.approx(0.9)
    assert_tidy(ax)


def test_a_forest_draws_a_line_a_group_and_writes_the_ratio_outwards():
    table = pd.DataFrame({
        "group": ["sling, straight", "oval, major axis"], "ratio": [0.9312, 1.02], "ratio_low": [0.8461, 0.95],
        "ratio_high": [1.0249, 1.101], "reference": "slow pull", "other": "shock", "margin": 0.9,
    })  # fmt: skip
    ax = plot_comparison(table)
    assert drawn(ax, "ratio").tolist() == [0.9312, 1.02]
    words = [t.get_text() for t in texts(ax)]
    assert "0.931 (0.846 to 1.03)" in words
    assert_tidy(ax)
    with pytest.raises(InputError, match="without ratio_low and ratio_high"):
        plot_comparison(table[["group", "ratio"]])
    with pytest.raises(InputError, match="at least one row"):
        plot_comparison(table[:0])


def test_a_plan_shows_its_curve_the_assurance_and_the_answer():
    plan = plan_bound(20, mean=25, cv=0.06, family="normal")
    ax = plot_plan(plan)
    assert drawn(ax, "chance").tolist() == plan.curve["n"].tolist()
    assert drawn(ax, "answer").tolist() == [plan.n]
    assert f"{plan.n} specimens" in [t.get_text() for t in texts(ax)]
    (line,) = [one for one in ax.get_lines() if one.get_gid() == "assurance"]
    assert line.get_ydata()[0] == plan.assurance
    assert_tidy(ax)
    with pytest.raises(InputError, match="must be a Plan, got 5"):
        plot_plan(5)


def test_the_summary_has_four_panels_and_says_what_it_cannot_fill(samples):
    log, table = make_table(samples[:1])
    figure = plot_summary(log)
    words = " ".join(t.get_text() for t in figure.findobj(match=Text)).replace("\n", " ")
    assert len(figure.findobj(match=Axes)) == 4
    assert "No shock tests beside slow pulls in this log." in words
    (bar,) = [p for ax in figure.axes for p in ax.patches if p.get_height() == 0.6]
    assert bar.get_width() == pytest.approx(table["B-basis [kN]"].iloc[0] / 20.0)


def test_axes_of_ones_own_are_used(samples):
    from matplotlib.figure import Figure

    own = Figure().add_subplot()
    assert plot_breaks(samples, own) is own
    assert plot_probability(samples[0], Figure().add_subplot()).get_figure() is not own.get_figure()


def colours(ax, kind):
    return {to_hex(c) for c in points(ax, kind).get_facecolor()}


def test_a_palette_colours_the_series_as_seaborn_names_it(samples):
    named = [to_hex(c) for c in sns.color_palette("colorblind", 2)]
    assert colours(plot_breaks(samples, palette="colorblind"), "broke") == set(named)
    assert colours(plot_breaks(samples, palette=named), "broke") == set(named)
    ax = plot_breaks(samples, palette={"shock": "red", "slow pull": "#00ff00"})
    assert colours(ax, "broke") == {"#ff0000", "#00ff00"}
    assert {to_hex(c) for c in points(ax, "held").get_edgecolor()} <= {"#ff0000", "#00ff00"}
    assert [to_hex(h.get_color()) for h in ax.get_legend().legend_handles[:2]] == ["#00ff00", "#ff0000"]
    assert colours(plot_breaks(samples), "broke") == {"#174a6e", "#c2661a"}


@pytest.mark.parametrize("palette", ["no such palette", {"shock": "red"}, ["red", "no colour"], []])
def test_a_palette_that_is_none_is_refused_by_name(samples, palette):
    with pytest.raises(InputError, match=r"`palette` must be a seaborn palette, .*'colorblind'"):
        plot_breaks(samples, palette=palette)


def test_hue_gives_another_column_the_colours_and_the_lanes(samples):
    ax = plot_breaks(samples, hue="item")
    items = list(dict.fromkeys(s.group["item"] for s in samples))
    assert [t.get_text() for t in ax.get_legend().get_texts()][: len(items)] == items
    assert sorted(drawn(ax, "broke")) == sorted(np.concatenate([s.load[s.broke] for s in samples]))
    with pytest.raises(InputError, match="A figure by 'weather' needs samples grouped by it"):
        plot_breaks(samples, hue="weather")


def test_both_arms_of_a_comparison_take_a_palette():
    ax = plot_comparison(compare([24.1, 25.3, 24.6, 25.0], [22.0, 23.1, 21.4, 22.6]), palette=["red", "blue"])
    assert colours(ax, "broke") == {"#ff0000", "#0000ff"}


def test_a_theme_of_seaborn_stands_and_nothing_leaks(samples):
    with mpl.rc_context():
        mpl.rcdefaults()
        house = plot_breaks(samples)
        sns.set_theme(style="darkgrid", font_scale=2)
        before = dict(mpl.rcParams)
        themed = plot_breaks(samples)
        facets(samples)
        assert dict(mpl.rcParams) == before
    assert house.xaxis.label.get_size() == 9
    assert themed.xaxis.label.get_size() == 24
    assert to_hex(themed.get_facecolor()) == "#eaeaf2"
    assert colours(themed, "broke") == colours(house, "broke")


def test_facets_draw_every_specimen_once_in_the_axes_of_its_value(samples):
    grid = facets(samples, col="item", col_wrap=2, palette="colorblind")
    assert isinstance(grid, sns.FacetGrid)
    for item, ax in grid.axes_dict.items():
        own = [s for s in samples if s.group["item"] == item]
        assert ax.get_title(loc="left") == item
        for kind, loads in (("broke", [s.load[s.broke] for s in own]), ("held", [s.load[~s.broke] for s in own])):
            assert sorted(drawn(ax, kind)) == sorted(np.concatenate(loads))
        assert sorted(drawn(ax, "arrow")) == sorted(drawn(ax, "held"))
    assert len({ax.get_xlim() for ax in grid.axes.flat}) == 1
    assert len(grid.figure.legends) == 1
    grid.map_dataframe(lambda data, **_: data)
    with pytest.raises(InputError, match="`col_wrap` must be 1 or more, got 0"):
        facets(samples, col_wrap=0)
