"""A plan answers for the rule that judges: verdicts, batches, slips, habits, groups without a plan."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import lowtail as lt
from lowtail import LOGNORMAL, NORMAL, WEIBULL, governing, judge
from lowtail._shared.guard import Trouble
from lowtail.claims.planning.core.endless import endless_batches, endless_limit
from lowtail.claims.planning.core.judge import batches_reach, cautious_reaches, governing_reaches
from lowtail.claims.planning.groups import OutOfReach, plan_groups
from lowtail.claims.strength.groups import group_strengths
from lowtail.cli import main
from lowtail.models.bounds.cautious import cautious_many
from lowtail.report.page.gather import gather

DATA = Path(__file__).parents[3] / "data"
DEMO = DATA / "park_breaks.csv"
B = lt.BASES["B-basis"]
FIVE = lt.Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="five")
SHOCK = "steel oval connector, major axis, shock"
LOG = lt.read_breaks(DEMO)
BY = ("item", "orientation", "method")


def near(bound: float, breaks: int = 5) -> tuple[float, float]:
    """Claims just above and below a bound, as far as the quick forms' error of a confidence (0.002) moves it.

    With 3 breaks it moves the bound by some percent. A bound of 0 reaches no claim.
    """
    part = 0.03 if breaks < 5 else 0.005
    return ((1 + part) * bound, (1 - part) * bound) if bound > 0 else (1e-3, 1e-3)


@pytest.mark.parametrize("n", [3, 5, 8, 31])
@pytest.mark.parametrize("held", [False, True])
def test_simulated_series_are_judged_as_real_ones(n: int, held: bool) -> None:
    """Against `governing` itself, on both sides of its bound (the last specimen held above every break)."""
    rng = np.random.default_rng(n)
    for _ in range(4):
        load = np.sort(25 * rng.weibull(12, n + 1)) if held else 25 * rng.weibull(12, n)
        broke = np.arange(load.size) < n
        bound = governing(lt.Sample(load, broke), B).these_batches
        high, low = near(bound, n)
        flags = None if broke.all() else broke[None]
        assert not governing_reaches(np.log(load / high)[None], flags, B)[0]
        assert governing_reaches(np.log(load / low)[None], flags, B)[0] == (bound > 0)


def test_simulated_batches_are_judged_as_real_ones() -> None:
    """Unequal batches, against the bound for a batch yet to come of `governing`."""
    rng = np.random.default_rng(5)
    for sizes in ((3, 2), (4, 4), (2, 3, 5), (3, 3, 3, 2)):
        place = 0.03 * rng.standard_normal(len(sizes))
        u = np.full((1, len(sizes), max(sizes)), -np.inf)
        for i, size in enumerate(sizes):
            u[0, i, :size] = place[i] + 0.05 * np.log(rng.standard_exponential(size))
        filled = np.isfinite(u[0])
        batch = np.broadcast_to(np.arange(len(sizes))[:, None], filled.shape)[filled]
        bound = governing(lt.Sample(25 * np.exp(u[0][filled]), batch=batch.astype(str)), B).next_batch
        high, low = near(bound)
        assert not batches_reach(u + np.log(25 / high), filled[None], filled, B)[0]
        assert batches_reach(u + np.log(25 / low), filled[None], filled, B)[0] == (bound > 0)


def test_the_cautious_bound_of_series_with_survivors() -> None:
    """Against `cautious_many`, with specimens held among the lowest."""
    rng = np.random.default_rng(2)
    y, rig = (0.08 * np.log(rng.standard_exponential((60, 7))) + shift for shift in (0.25, 0.30))
    u, broke = np.minimum(y, rig), y <= rig
    low = cautious_many(np.exp(u), broke, 0.1, 0.95)
    clear = np.isnan(low) | (np.abs(np.log(low)) > 0.004)
    want = np.isnan(low) | (low >= 1)
    assert (cautious_reaches(u, broke, 0.1, 0.95)[clear] == want[clear]).all()
    assert np.isnan(low).any()
    assert 0 < want.mean() < 1


@pytest.mark.parametrize("p", [0.01, 0.1, 0.3])
def test_endless_limits_are_fits_to_large_samples(p: float) -> None:
    """The Weibull nearest to each population by its largest likelihood, and mean - z s, on 60,000 loads."""
    basis, z = lt.Basis("q", p, 0.95), stats.norm.ppf(p)
    rng = np.random.default_rng(1)
    for family, place, spread in ((WEIBULL, 3.2, 0.08), (NORMAL, 25.0, 1.8), (LOGNORMAL, 3.2, 0.08)):
        load = family.inverse(place + spread * family.standard.rvs(size=60_000, random_state=rng))
        fit = lt.fit(lt.Sample(load), "weibull")
        near_weibull = np.exp(fit.location + fit.spread * np.log(-np.log1p(-p)))
        want = min(np.quantile(load, p), near_weibull, load.mean() + z * load.std())
        got = family.inverse(endless_limit(family, np.array([place]), np.array([spread]), basis))[0]
        assert got == pytest.approx(want, rel=0.006)
    u = 3.2 + 0.06 * rng.standard_normal(60_000) + 0.05 * np.log(rng.standard_exponential(60_000))
    load, fit = np.exp(u), lt.fit(lt.Sample(np.exp(u)), "weibull")
    near_weibull = np.exp(fit.location + fit.spread * np.log(-np.log1p(-p)))
    want = min(np.quantile(load, p), near_weibull, load.mean() + z * load.std())
    parts = (np.array([x]) for x in (3.2, 0.06, 0.05))
    assert np.exp(endless_batches(*parts, p))[0] == pytest.approx(want, rel=0.006)


def test_already_shown_only_where_the_verdict_is_backed() -> None:
    """18 kN: the Weibull bound reaches it, the bound that governs does not (once "already backed")."""
    assert lt.lower_bound(FIVE, B).low > 18 > governing(FIVE, B).low
    plan = lt.plan.more_samples(FIVE, 18.0, B)
    assert plan.n
    assert plan.chance >= 0.8 > plan.chance_before
    shown = lt.plan.more_samples(FIVE, 16.0, B)
    assert judge(FIVE, 16.0, B).verdict.backed
    assert shown.n == 0
    assert judge(FIVE, 16.0, B).sentence in str(shown)


def test_slips_count_both_ways() -> None:
    """Held, the slip hurts nothing; as a failure it takes the bound under the claim: not already shown."""
    knot = lt.Sample([6.12, 5.8, 5.95, 6.3, 5.0], [True] * 4 + [False], slipped=[False] * 4 + [True], label="knot")
    claim = (governing(knot.with_slips("held"), B).low + governing(knot.with_slips("failure"), B).low) / 2
    plans = [lt.plan.more_samples(s, claim, B) for s in (knot, knot.with_slips("held"), knot.with_slips("failure"))]
    assert sorted(p.n == 0 for p in plans) == [False, False, True]
    assert plans[0].n != 0


def test_batches_are_counted_where_they_govern() -> None:
    """The lowest group of the demo log whose batch bound fails: batches, and the arms say of how many."""
    sample = LOG.grouped(BY)["steel oval connector, minor axis, slow pull"]
    assert governing(sample, B).these_batches > 7 > governing(sample, B).next_batch
    plan = lt.plan.more_samples(sample, 7.0, B)
    assert (plan.unit, plan.per_batch) == ("batch", 4)
    assert plan.n
    assert plan.arms == (4,) * plan.n
    assert "more batch" in str(plan)
    assert "for a batch yet to come" in str(plan)
    assert lt.plan.more_samples(sample, 7.0, B, per_batch=2).per_batch == 2
    alone = lt.plan.more_samples(sample, 7.0, B, judge="one distribution")
    assert (alone.n, alone.unit) == (0, "specimen")


def test_nothing_attainable_is_said_with_the_reason() -> None:
    sample = LOG.grouped(BY)[SHOCK]
    plan = lt.plan.more_samples(sample, 18.0, B)
    assert plan.n is None
    assert plan.unit == "batch"
    assert plan.ceiling < 0.8
    assert "highest attainable chance" in str(plan)
    assert plan.chance <= plan.ceiling + 0.02


def test_page_and_command_plan_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", str(DEMO), "--only", "steel oval", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    log = lt.read_breaks(DEMO)
    answers = gather(
        log, by=BY, bases=("B-basis",), family="weibull", claim=None, arms=None, margin=None, pulse_width_ms=None,
        assurance=0.8, checks=False, borrow=None, rng=0, n_jobs=1, progress=False,
    )  # fmt: skip
    page = {p.group: (p.n, p.unit, p.chance, str(p)) for p in answers.plans}
    page |= {o.group: (o.ceiling, str(o)) for o in answers.out_of_reach}
    command = {r["group"]: (r["n"], r["unit"], r["chance"], r["sentence"]) for r in told["rows"] if r["n"] != 0}
    command |= {r["group"]: (r["ceiling"], r["sentence"]) for r in told["out_of_reach"]}
    assert SHOCK in command
    assert command == {group: page[group] for group in command}


def test_a_habit_speaks_its_own_words() -> None:
    plan = lt.plan.more_samples(FIVE, 22.0, "mean - 3 s", family="normal", max_n=10)
    assert "habit without content or confidence" in str(plan)
    for made in (plan, lt.plan.new_series(20, "mean - 3 s", mean=25, cv=0.05, family="normal")):
        assert "99.865" not in f"{made} {made.claim}"
        assert "95 % confidence" not in f"{made} {made.claim}"
        assert "demonstrate" not in str(made)


def test_mean_minus_two_s_needs_two_where_two_suffice() -> None:
    """By hand: P(mean - 2 s >= 20) for 2 normal specimens, mean 25, s.d. 1.5, by 400,000 simulated pairs."""
    basis = lt.Basis("mean - 2 s", kind="mean minus ks", multiplier=2)
    plan = lt.plan.new_series(20, basis, mean=25, cv=0.06, family="normal")
    pairs = np.random.default_rng(0).normal(25, 1.5, (400_000, 2))
    want = (pairs.mean(axis=1) - 2 * pairs.std(axis=1, ddof=1) >= 20).mean()
    assert plan.n == 2
    assert plan.chance == pytest.approx(want, abs=0.003)


def log_of(path: Path, rows: list[tuple[str, float, str, str]], rated: float) -> lt.BreakLog:
    frame = pd.DataFrame(rows, columns=["item", "load [kN]", "outcome", "batch"])
    frame.insert(0, "specimen", [f"s{i}" for i in range(len(frame))])
    frame.assign(orientation="straight", method="slow pull", **{"rated [kN]": rated}).to_csv(path, index=False)
    return lt.read_breaks(path)


UNFIT = [
    *(("two and one", x, "broke", b) for x, b in ((22.0, "a"), (23.0, "a"), (21.0, "b"))),
    *(("all held", x, "held", "") for x in (20.0, 21.0)),
    *(("one break", x, o, "") for x, o in ((20.0, "broke"), (21.0, "held"), (22.0, "held"))),
    ("one specimen", 20.0, "broke", ""),
    *(("fit", x, "broke", "") for x in FIVE.load),
]


def test_a_group_without_a_plan_is_a_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = log_of(tmp_path / "log.csv", UNFIT, 18.0)
    done = plan_groups(group_strengths(log, BY, (B,), rating_basis=B), B)
    assert len(done) == 5
    lines = {d.who.split(",")[0]: d for d in done if isinstance(d, Trouble)}
    assert {"all held", "one break", "one specimen"} <= set(lines)
    assert all(d.reason and d.expected for d in lines.values())
    assert main(["plan", str(tmp_path / "log.csv")]) == 0
    out, err = capsys.readouterr()
    assert "fit" in out
    for name in lines:
        assert name in err


def test_a_fault_inside_one_group_spoils_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    from lowtail.claims.planning import groups as home

    real = home.look_ahead

    def broken(sample: lt.Sample, *rest: object) -> object:
        if sample.label == SHOCK:
            raise ZeroDivisionError("injected")
        return real(sample, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(home, "look_ahead", broken)
    groups = [g for g in group_strengths(LOG, BY, (B,), rating_basis=B) if g.sample.label.startswith("steel oval")]
    done = plan_groups(groups, B)
    failed = [d for d in done if isinstance(d, Trouble)]
    assert [d.who for d in failed] == [SHOCK]
    assert not failed[0].expected
    assert len(done) == len(groups)


def test_a_break_below_the_rating_is_out_of_reach() -> None:
    groups = [g for g in group_strengths(LOG, BY, (B,), rating_basis=B) if g.judged and g.judged.verdict.below]
    done = plan_groups(groups, B)
    assert done
    assert all(
        isinstance(d, OutOfReach) and g.judged and g.judged.sentence in str(d)
        for d, g in zip(done, groups, strict=True)
    )


def test_one_unfit_group_spoils_no_allocation() -> None:
    unfit = lt.Sample([22.0, 23.0], [True, False], label="cord")
    plan = lt.plan.next_specimens([FIVE, unfit], [18.0, 18.0], B, budget=8)
    alone = lt.plan.next_specimens([FIVE, lt.Sample(FIVE.load + 9.0, label="strong")], [18.0, 18.0], B, budget=8)
    assert plan.allocation[1] == 0
    assert "2 different loads" in plan.table["reason"][1]
    assert plan.table["reason"][0] == ""
    assert any("cord" in note for note in plan.notes)
    assert plan.table["chance"][0] == alone.table["chance"][0]


def test_no_more_is_promised_than_is_attainable() -> None:
    """In lognormal populations the Weibull bound stays below the true percentile, however many are tested."""
    plan = lt.plan.more_samples(FIVE, 21.0, B, family="lognormal", max_n=20)
    free = lt.plan.more_samples(FIVE, 21.0, B, family="lognormal", max_n=20, judge="one distribution")
    assert plan.ceiling < free.ceiling
    with pytest.raises(lt.InputError, match="the bound that governs approaches"):
        lt.plan.new_series(20, "A-basis", mean=25, cv=0.085, family="lognormal")


def test_committed_study_comes_true() -> None:
    table = pd.read_csv(Path(__file__).parents[2] / "truth" / "plan_rule.csv")
    assert len(table) == 7
    assert set(table["unit"]) == {"specimen", "batch"}
    assert (table["predicted"] >= 0.8).all()
    assert (table["one_fewer"].dropna() < 0.8).all()
    assert ((table["succeeded"] - table["predicted"]).abs() < 0.02).all()


def test_populations_without_end_have_a_limit_of_their_own() -> None:
    """Two breaks allow shapes so low that the mean overflows: no warning, and never a limit above the true
    percentile."""
    for family in (WEIBULL, NORMAL, LOGNORMAL):
        place, spread = np.array([3.0, 900.0]), np.array([50.0, 1e5])
        limit = endless_limit(family, place, spread, B)
        assert not np.isnan(limit).any()
        assert (limit <= place + family.quantile(B.fraction_below) * spread).all()
