"""Change over years, against statsmodels, a plain sum over all histories, and paper."""

import itertools

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.optimize import approx_fprime, minimize
from scipy.special import expit, logit, stdtrit

from layers.errors import ThinDataError
from layers.estimates import dynamic_occupancy
from layers.estimates.change import _words, change
from layers.estimates.count_trend import change_seen, fit_trend, year_indices
from layers.estimates.dynamic_occupancy import fit_dynamic
from layers.estimates.profile_likelihood import on_logit
from layers.fieldwork.effort import effort_of
from tests.sampling_frames import METHODS, SPECIES, catches_of, placements_of

BULLHEAD = "Cottus perifretum"


def seeded_counts(sites=8, years=5, ratio=0.8, seed=1):
    random = np.random.default_rng(seed)
    site, year = np.repeat(np.arange(sites), years), np.tile(np.arange(years), sites)
    effort = random.uniform(1, 3, site.size)
    level = np.exp(random.normal(1.5, 0.8, sites))[site]
    counts = random.poisson(level * effort * ratio**year * random.gamma(2, 0.5, site.size))
    return counts.astype(float), effort, site, year.astype(float)


def test_ratio_equals_poisson_regression_with_site_effects():
    """statsmodels 0.14 GLM, Poisson, a column for each site, effort as exposure."""
    counts, effort, site, year = seeded_counts()
    columns = np.column_stack([site[:, None] == np.arange(8), year]).astype(float)
    glm = sm.GLM(counts, columns, family=sm.families.Poisson(), exposure=effort).fit(tol=1e-12)
    assert fit_trend(counts, effort, site, year).ratio == pytest.approx(np.exp(glm.params[-1]))
    first, third = year == 0, year == 2
    pair = first | third
    columns[:, -1] = third
    glm = sm.GLM(
        counts[pair], columns[pair], family=sm.families.Poisson(), exposure=effort[pair]
    ).fit(tol=1e-12)
    indices = year_indices(counts, effort, site, year.astype(np.int64))
    assert indices[2][0] == pytest.approx(np.exp(glm.params[-1]))
    assert indices[0][0] == 1


def test_jackknife_equals_leaving_each_site_out():
    """The one-step jackknife lies within a tenth of refitting without each site."""
    counts, effort, site, year = seeded_counts()
    whole = fit_trend(counts, effort, site, year)
    left = [
        np.log(fit_trend(*(part[site != one] for part in (counts, effort, site, year))).ratio)
        for one in range(8)
    ]
    exact = np.sqrt(7 / 8 * ((np.array(left) - np.log(whole.ratio)) ** 2).sum())
    assert whole.se == pytest.approx(exact, rel=0.1)


def test_more_sites_show_smaller_falls_and_seeds_repeat():
    """Smallest fall seen shrinks with sites; the same seed gives the same figure."""
    few, many = seeded_counts(6, ratio=1.0), seeded_counts(40, ratio=1.0)
    assert change_seen(*many) < change_seen(*few)
    assert change_seen(*few, seed=3) == change_seen(*few, seed=3)
    with pytest.raises(ThinDataError, match="fewer than 5 sites"):
        fit_trend(*seeded_counts(4))


@pytest.mark.parametrize("catch", [[5.0, 0.0], [0.0, 5.0]])
def test_a_catch_in_one_year_alone_has_no_ratio(catch):
    """The likelihood rises without end; before, the interval was 1.49e-8 to 1.52e-8."""
    site, year = np.repeat(np.arange(8), 2), np.tile([2020, 2022], 8)
    counts, effort = np.array(catch * 8), np.ones(16)
    with pytest.raises(ThinDataError, match="in its first year alone, or its last"):
        fit_trend(counts, effort, site, year)
    *figures, why = year_indices(counts, effort, site, year)[2022]
    assert np.isnan(figures).all()
    assert "in its first year alone" in why


def test_smallest_fall_seen_is_that_of_surveys_which_fall():
    """Of seeded surveys of 12 sites in two years, variance m + m², a fall by 60 % is mostly missed.

    So the surveys themselves must not say that a fall by 60 % would have shown.
    """
    random = np.random.default_rng(3)
    site, year, effort = np.repeat(np.arange(12), 2), np.tile([0.0, 1.0], 12), np.ones(24)

    def survey(fall):
        mean = 5 * (1 - fall) ** (year - 0.5)
        return random.poisson(mean * random.gamma(1, 1, 24)).astype(float)

    shown = [fit_trend(survey(0.6), effort, site, year).high < 1 for _ in range(100)]
    assert np.mean(shown) < 0.6
    seen = [change_seen(survey(0.0), effort, site, year) for _ in range(30)]
    assert np.median(np.nan_to_num(seen, nan=1.0)) >= 0.7


def sum_over_histories(psi, gained, lost, p, found, tried):
    """Log-likelihood by adding up every way in which a unit can be occupied or empty."""
    total = 0.0
    for y, n in zip(found, tried, strict=True):
        chance = 0.0
        for states in itertools.product([0, 1], repeat=len(y)):
            one = psi if states[0] else 1 - psi
            for before, now in itertools.pairwise(states):
                stay = (1 - lost if now else lost) if before else (gained if now else 1 - gained)
                one *= stay
            for here, hits, visits in zip(states, y, n, strict=True):
                one *= p**hits * (1 - p) ** (visits - hits) if here else float(hits == 0)
            chance += one
        total += np.log(chance)
    return total


def visits_of(found, tried, effort=None):
    """Visits of units x years x gears, from those with a find and all."""
    unit, year, kind = (np.repeat(part.ravel(), tried.ravel().astype(int))
                        for part in np.indices(found.shape))  # fmt: skip
    order = np.concatenate([np.arange(n) for n in tried.ravel().astype(int)])
    hit = order < np.repeat(found.ravel(), tried.ravel().astype(int))
    return unit, year, kind, np.ones(unit.size) if effort is None else effort, hit


def test_likelihood_is_the_sum_over_all_histories_and_is_the_greatest():
    """At the estimate and around it, on a seeded season of four years with a year unvisited."""
    random = np.random.default_rng(3)
    here = random.random(60) < 0.6
    found = np.zeros((60, 4, 1))
    for year in range(4):
        here = np.where(here, random.random(60) > 0.3, random.random(60) < 0.2)
        found[:, year, 0] = random.binomial(3, 0.5 * here)
    tried = np.full_like(found, 3.0)
    found[:20, 1], tried[:20, 1] = 0, 0
    fit = fit_dynamic(*visits_of(found, tried))
    assert fit.estimator == "maximum_likelihood"
    at = (fit.occupancy[0], fit.colonised, fit.lost, fit.detection[0])
    best = sum_over_histories(*at, found[..., 0], tried[..., 0])
    assert fit.log_likelihood == pytest.approx(best, abs=1e-8)
    for k in range(4):
        for step in (-0.02, 0.02):
            moved = [value + step * (j == k) for j, value in enumerate(at)]
            assert sum_over_histories(*moved, found[..., 0], tried[..., 0]) < best


def uneven_visits(seed=4):
    """Visits of 25 units in three years by two gears, with unequal efforts."""
    random = np.random.default_rng(seed)
    here = random.random((25, 3)) < 0.6
    unit, year, kind = (random.integers(0, n, 220) for n in (25, 3, 2))
    effort = random.lognormal(0, 0.7, 220)
    p = 1 - np.exp(-np.array([0.3, 1.2])[kind] * effort)
    return unit, year, kind, effort, (random.random(220) < p) & here[unit, year]


def test_effort_enters_the_likelihood_and_its_slope():
    """A sum over all states, visit by visit with p = 1 - exp(-r e); SciPy's finite differences."""
    unit, year, kind, effort, found = uneven_visits()
    seen = dynamic_occupancy._histories(unit, year, kind, effort, found, 3)
    theta = np.array([0.3, -1.0, -0.7, -1.2, 0.4])
    psi, gained, lost = expit(theta[:3])
    p = 1 - np.exp(-np.exp(theta[3:])[kind] * effort)
    total = 0.0
    for one in np.unique(unit):
        chance = 0.0
        for states in itertools.product([0, 1], repeat=3):
            way = psi if states[0] else 1 - psi
            for before, now in itertools.pairwise(states):
                stay = (1 - lost if now else lost) if before else (gained if now else 1 - gained)
                way *= stay
            for t, state in enumerate(states):
                own = (unit == one) & (year == t)
                each = np.where(found[own], p[own], 1 - p[own]) if state else 1.0 * ~found[own]
                way *= each.prod()
            chance += way
        total += np.log(chance)
    at = seen.log_likelihood(theta)
    assert at.value == pytest.approx(total)
    slope = approx_fprime(theta, lambda t: seen.log_likelihood(t).value, 1e-6)
    np.testing.assert_allclose(at.gradient, slope, rtol=1e-3, atol=1e-3)


def test_ends_of_the_intervals_over_years_lie_on_the_profile():
    """At each end the highest likelihood is t²/2 below the maximum; nothing beyond is as high."""
    visits = uneven_visits()
    fit = fit_dynamic(*visits)
    seen = dynamic_occupancy._histories(*visits, 3)
    limit = stdtrit(25 - 5, 0.975) ** 2 / 2
    start = np.array([0.0, -1.0, -1.0, -1.0, 0.0])

    def profile(figure, value):
        held = {"type": "eq", "fun": lambda theta: figure(theta)[0] - value}
        found = minimize(
            lambda theta: -seen.log_likelihood(theta).value,
            start,
            method="SLSQP",
            bounds=[(-9, 9)] * 5,
            constraints=held,
            options={"maxiter": 300},
        )
        assert found.success
        return -found.fun

    last = on_logit(lambda theta: dynamic_occupancy._of_year(theta, 2, 3))

    def growth(theta):
        return dynamic_occupancy._log_growth(theta, 3)

    for figure, ends in (
        (last, logit([fit.low[-1], fit.high[-1]])),
        (growth, np.log([fit.growth_low, fit.growth_high])),
    ):
        for end in ends:
            assert fit.log_likelihood - profile(figure, end) == pytest.approx(limit, abs=0.02)


def test_a_boundary_is_penalised_and_thin_records_are_refused():
    """Found at every visit of every unit: no chance is put at 1. Nine units are too few."""
    tried = np.full((12, 3, 1), 2.0)
    fit = fit_dynamic(*visits_of(tried, tried))
    assert fit.estimator == "penalised_likelihood"
    assert (fit.occupancy < 1).all()
    assert fit.growth_low < 1 < fit.growth_high
    with pytest.raises(ThinDataError, match="fewer than 10 units"):
        fit_dynamic(*visits_of(tried[:9], tried[:9]))
    with pytest.raises(ThinDataError, match="visited twice"):
        fit_dynamic(*visits_of(tried / 2, tried / 2))


def frames(passes=1):
    """Twelve sites in 2021, 2023 and 2025; bullhead falls by half each time, lost at two sites."""
    rows, caught = [], []
    for at, site in enumerate("abcdefghijkl"):
        for year, fish in ((2021, 16), (2023, 8), (2025, 0 if at < 2 else 4)):
            name = f"{site}{year}"
            rows.append(
                {"placement_id": name, "site": site, "method": "electric_fishing",
                 "set_at": f"{year}-06-10T10:00Z", "area_m2": 100.0, "passes": passes,
                 "outcome": "caught" if fish else "nil"}
            )  # fmt: skip
            caught += [
                {"placement_id": name, "species": BULLHEAD, "pass_no": k, "count": count}
                for k, count in enumerate([fish, 99][:passes] if fish else [], 1)
            ]
    return placements_of(rows), catches_of(caught)


def visited_twice(placements, catches):
    """The same with everything done and caught once more on the next day."""
    again = placements.assign(set_at=placements["set_at"] + pd.Timedelta(days=1))
    again.index = again.index + "b"
    fish = catches.assign(placement_id=catches["placement_id"] + "b")
    return pd.concat([placements, again]), pd.concat([catches, fish], ignore_index=True)


def frames_with(placements, catches, row):
    """The same with one more placement that caught one bullhead."""
    rows = [*placements.reset_index().to_dict("records"), row]
    fish = {"placement_id": row["placement_id"], "species": BULLHEAD, "pass_no": 1, "count": 1}
    return placements_of(rows), catches_of([*catches.to_dict("records"), fish])


def answer(passes=1):
    placements, catches = frames(passes)
    return change(
        placements,
        catches,
        effort_of(placements, METHODS),
        SPECIES,
        METHODS,
        units=placements["site"],
        place_of=placements["site"].where(placements["site"] < "c"),
    )


@pytest.mark.parametrize("passes", [1, 2])
def test_gained_lost_and_ratio_of_records(passes):
    """Two of twelve sites lost; later passes, whatever they caught, do not enter the rate."""
    table = answer(passes).over_years
    everywhere = table[table["place"] == "all"].set_index("quantity")
    assert everywhere.loc["occupancy", ["units", "gained", "lost"]].tolist() == [12, 0, 2]
    rate = everywhere.loc["catch_rate"]
    # 16 : 8 : 10/12 · 4 over the sites, by statsmodels as above.
    site, year = np.repeat(np.arange(12), 3), np.tile([0.0, 2.0, 4.0], 12)
    counts = np.array([16, 8, 0] * 2 + [16, 8, 4] * 10, dtype=float)
    assert rate["yearly_ratio"] == pytest.approx(fit_trend(counts, site * 0 + 1, site, year).ratio)
    assert rate["words"].startswith("Catch per effort fell")
    assert "(95 %, 12 units)" in rate["words"]
    assert set(table["place"]) == {"all", "a", "b"}
    few = table[(table["place"] == "a") & (table["quantity"] == "catch_rate")].iloc[0]
    assert np.isnan(few["yearly_ratio"])
    assert "fewer than 5 sites" in few["problem"]


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (0.9992, 9.49, "how it changed is not known, anything from -0.08 to +849 % a year"),
        (0.30, 1.08, "how it changed is not known, anything from -70 to +8 % a year"),
        (0.86, 1.10, "no change shown, -14 to +10 % a year"),
        (0.98, 1.004, "no change shown, -2 to +0.4 % a year"),
        (1.05, 2.08, "rose: +5 to +108 % a year"),
        (0.24, 0.72, "fell: -76 to -28 % a year"),
    ],
)
def test_words_of_wide_intervals_give_no_figure(low, high, said):
    row = {
        "yearly_ratio": (low * high) ** 0.5, "yearly_ratio_low": low, "yearly_ratio_high": high,
        "quantity": "catch_rate", "units": 14, "sites": 11, "decline_seen": 0.5,
        "first_year": 2021, "last_year": 2025,
    }  # fmt: skip
    units = " (95 %, 14 units, 11 of them with effort and a catch in them)."
    words = _words(row)
    assert (said + units in words, "-0 " in words) == (True, False), words
    # What would not have shown is said only where nothing did.
    unseen = (
        "of less than about 50 % from 2021 to 2025 would be missed in more than one case in five."
    )
    assert words.endswith(unseen) == (low <= 1 <= high)
    assert ("of less than" in words) == (low <= 1 <= high)
    assert "(95 %, 14 units)." in _words(row | {"sites": 14})
    for seen, fall in ((np.nan, 90), (0.999, 99)):
        hardly = f"A fall by {fall} % from 2021 to 2025 would show in fewer than 4 of 5 cases."
        assert _words(row | {"decline_seen": seen}).endswith(hardly) == (low <= 1 <= high)


@pytest.mark.parametrize(("by_year", "shown"), [((99, 990, 1), True), ((9, 990, 9), False)])
def test_a_fall_that_shows_is_not_said_to_be_beyond_showing(by_year, shown):
    """All sites go up and down alike: clumped so much that a fall by 90 % would seldom show."""
    placements, catches = frames()
    number = dict(zip(("2021", "2023", "2025"), by_year, strict=True))
    more = catches["placement_id"].str[0].map("abcdefghijkl".index) / 10
    fish = catches.assign(count=catches["placement_id"].str[1:].map(number) * (1 + more) // 1)
    table = change(
        placements, fish, effort_of(placements, METHODS), SPECIES, METHODS, units=placements["site"]
    ).over_years
    row = table.set_index("quantity").loc["catch_rate"]
    assert np.isnan(row["decline_seen"])
    assert row["words"].startswith("Catch per effort fell") == shown
    said = "" if shown else "a fall by 90 % would show in fewer than 4 of 5 cases"
    assert row["problem"] == said


@pytest.mark.parametrize(("year", "lost"), [(2025, 1), (2019, 2)])
def test_a_find_by_gear_that_is_not_listed_enters_no_model(year, lost):
    """A kick net finds it at site a in 2025: one site less is lost, chances and rates stay.

    A gear that counts only where it found something would find it wherever it counts.
    """
    placements, catches = visited_twice(*frames())
    listed = SPECIES.copy()
    listed.loc[BULLHEAD, "detected_by"] = "electric_fishing"

    def of(work, fish, table="over_years"):
        found = change(
            work,
            fish,
            effort_of(work, METHODS),
            listed,
            METHODS,
            units=work["site"],
            place_of=work["site"].where(work["site"] == "a"),
        )
        rows = getattr(found, table)
        return rows[rows["place"] == "all"].set_index("quantity")

    net = {"placement_id": "net", "site": "a", "method": "kick_net", "lifts": 3.0,
           "set_at": f"{year}-07-01T10:00Z", "outcome": "caught"}  # fmt: skip
    placed, fish = frames_with(placements, catches, net)
    before, after = of(placements, catches), of(placed, fish)
    assert "(95 %, 12 units)" in before.loc["occupancy", "words"]
    assert list(after.index) == list(before.index) == ["occupancy", "catch_rate"]
    assert before.loc["occupancy", "lost"] == 2
    assert after.loc["occupancy", "lost"] == lost
    figures = [
        "first_year",
        "last_year",
        "yearly_ratio",
        "yearly_ratio_low",
        "yearly_ratio_high",
        "decline_seen",
    ]
    assert after[figures].equals(before[figures])
    assert before.loc["occupancy", figures].notna().all()
    years = of(placed, fish, "by_year").loc["occupancy"].set_index("year")
    assert years["value"].notna().equals(years["problem"] == "")
    assert years.loc[[2021, 2023, 2025], "value"].notna().all()


def test_smallest_fall_seen_is_from_first_to_last_year():
    """A site fished in 2009 alone tells nothing of change; only the time becomes four times longer.

    A fall by 10 % in four years is one by 34 % in 16.
    """
    placements, catches = frames()
    old = {"placement_id": "old", "site": "z", "method": "electric_fishing", "area_m2": 100.0,
           "set_at": "2009-06-10T10:00Z", "outcome": "caught"}  # fmt: skip

    def rate(work, fish):
        found = change(
            work,
            fish,
            effort_of(work, METHODS),
            SPECIES,
            METHODS,
            units=work["site"],
            place_of=work["site"].where(work["site"] == "none"),
        )
        table = found.over_years
        return table[table["quantity"] == "catch_rate"].iloc[0]

    short, long = rate(placements, catches), rate(*frames_with(placements, catches, old))
    assert (short["first_year"], long["first_year"]) == (2021, 2009)
    assert long["yearly_ratio"] == pytest.approx(short["yearly_ratio"])
    assert long["decline_seen"] > 1 - (1 - short["decline_seen"] + 0.1) ** 4


def test_a_season_leaves_out_all_other_days():
    """What a winter survey finds changes nothing in the season of summer."""
    placements, catches = visited_twice(*frames())
    winter = {"placement_id": "late", "site": "z", "method": "electric_fishing", "area_m2": 100.0,
              "set_at": "2025-12-10T10:00Z", "outcome": "caught"}  # fmt: skip
    placed, fish = frames_with(placements, catches, winter)

    def tables(work, fish, days):
        return change(
            work,
            fish,
            effort_of(work, METHODS),
            SPECIES,
            METHODS,
            units=work["site"],
            place_of=work["site"].where(work["site"] == "none"),
            days=days,
        )

    summer = ((5, 1), (9, 30))
    for plain, own, whole in zip(
        tables(placements, catches, None),
        tables(placed, fish, summer),
        tables(placed, fish, None),
        strict=True,
    ):
        pd.testing.assert_frame_equal(plain, own)
        assert not plain.equals(whole)
    assert own.attrs["inputs"]["left_out"]["another season"] == 1
    # A winter that the end of the calendar year cuts in two is said.
    said = "December and the January after it are two years"
    next_month = winter | {"placement_id": "later", "set_at": "2026-01-10T10:00Z"}
    cut, fish = frames_with(placed, fish, next_month)
    assert said in tables(cut, fish, None)[0].attrs["inputs"]["assumes"]
    assert said not in tables(cut, fish, ((11, 1), (2, 28)))[0].attrs["inputs"]["assumes"]
    assert said not in whole.attrs["inputs"]["assumes"]


def test_effort_of_a_visit_enters_occupancy_over_years():
    """Gear set in two halves on the same day is one visit with the effort of both."""
    placements, catches = visited_twice(*frames())
    halves = placements.assign(area_m2=50.0)
    again = halves.copy()
    again.index = again.index + "h"
    again["outcome"] = "nil"
    work = pd.concat([halves, again])

    def occupancy(placed):
        found = change(
            placed,
            catches,
            effort_of(placed, METHODS),
            SPECIES,
            METHODS,
            units=placed["site"],
            place_of=placed["site"].where(placed["site"] == "none"),
        )
        rows = found.by_year
        return rows.loc[rows["quantity"] == "occupancy", ["value", "value_low", "value_high"]]

    np.testing.assert_allclose(occupancy(work), occupancy(placements), atol=1e-6)
    # Half of the gear in the last year alone: what it missed there weighs less.
    late = placements.assign(area_m2=np.where(placements["set_at"].dt.year == 2025, 10.0, 100.0))
    assert occupancy(late)["value"].iloc[-1] > occupancy(placements)["value"].iloc[-1]


def test_years_carry_units_and_finds():
    """Every figure has the number of units beside it."""
    table = answer().by_year
    rate = table[(table["place"] == "all") & (table["quantity"] == "catch_rate")].set_index("year")
    assert rate["units"].tolist() == [12, 12, 12]
    assert rate["units_found"].tolist() == [12, 12, 10]
    assert rate["value"].tolist() == [1.0, 0.5, pytest.approx(40 / 192)]
    assert rate["value_unit"].iloc[0] == "fish per 100 m², first year = 1"
    assert pd.isna(rate["value_low"].iloc[0])


def test_the_first_year_has_no_figure_where_no_later_one_has():
    """An index of 1 that nothing is compared with is no figure."""
    site, year = np.array([1, 2, 1, 2]), np.array([2021, 2021, 2025, 2025])
    few = year_indices(np.ones(4), np.ones(4), site, year)
    assert np.isnan([figures[:3] for figures in few.values()]).all()
    assert all(figures[3] for figures in few.values())


def visited_by_plan(plan, found):
    """Sites of each year, fished on three days; `found` says by site and year where it is."""
    rows = [
        {"placement_id": f"{site}-{year}-{day}", "site": f"s{site:02d}",
         "method": "electric_fishing", "set_at": f"{year}-06-{day:02d}T10:00Z", "area_m2": 100.0,
         "passes": 1, "outcome": "caught" if found(site, year) else "nil"}
        for year, sites in plan.items() for site in sites for day in (1, 10, 20)
    ]  # fmt: skip
    fish = [
        {"placement_id": row["placement_id"], "species": BULLHEAD, "pass_no": 1, "count": 3}
        for row in rows
        if row["outcome"] == "caught"
    ]
    placements = placements_of(rows)
    result = change(
        placements,
        catches_of(fish),
        effort_of(placements, METHODS),
        SPECIES,
        METHODS,
        units=placements["site"],
    )
    own = [table[table["quantity"] == "occupancy"] for table in result]
    return own[0].iloc[0], own[1].set_index("year"), result


CREW_MOVES = {2021: range(15), 2022: range(5, 20), 2023: range(10, 30), 2024: range(14, 40),
              2025: range(18, 45)}  # fmt: skip


def test_a_crew_that_moves_to_empty_sites_shows_no_fall():
    """Sites 0 to 14 always have it, 15 to 44 never: nothing changes, only who is looked at."""
    row, years, result = visited_by_plan(CREW_MOVES, lambda site, _: site < 15)
    assert (row["gained"], row["lost"]) == (0, 0)
    assert row["yearly_ratio_low"] < 1 < row["yearly_ratio_high"]
    assert row["yearly_ratio"] == pytest.approx(1, abs=0.03)
    said = "Occupancy of 15 units looked at in 2021: no change shown"
    assert row["words"].startswith(said)
    assert (row["problem"], years.loc[2025, "problem"]) == ("", "")
    # Of the 15 of 2021, not of all that were looked at: 0 of 27 in 2025.
    assert years.loc[2025, "value"] > 0.8
    for frame in result:
        assert "first looked at in different years" not in frame.attrs["inputs"]["assumes"]


def test_a_crew_that_moves_to_full_sites_hides_no_fall():
    """At half of 28 sites until 2022, at a quarter from 2024; all those new from then on have it.

    So the share among all that are looked at rises.
    """
    row, years, _ = visited_by_plan(
        {2021: range(28), 2022: range(28), 2024: range(42), 2025: range(56)},
        lambda site, year: site % (2 if year < 2023 else 4) == 0 or site >= 28,
    )
    assert (row["gained"], row["lost"]) == (0, 7)
    assert row["words"].startswith("Occupancy of 28 units looked at in 2021 fell")
    # With all taken as alike, which is wrong, 0.73 and 0.62, falling by 1 to 9 % a year.
    assert years.loc[2021, "value"] == pytest.approx(14 / 28, abs=0.01)
    assert years.loc[2025, "value_low"] < 7 / 28 < years.loc[2025, "value"] < 0.4


def test_units_looked_at_later_tell_of_change_alone():
    """One share at each first look: the sum over all histories, each from its own first look."""
    random = np.random.default_rng(5)
    began, year = random.integers(0, 3, 40), np.repeat(np.arange(4), 3)
    unit, year = np.repeat(np.arange(40), 12), np.tile(year, 40)
    here = random.random(40) < np.array([0.8, 0.5, 0.2])[began]
    found = here[unit] & (random.random(480) < 0.5) & ((year < 2) | (unit % 3 > 0))
    looked = year >= began[unit]
    visits = unit[looked], year[looked], np.zeros(looked.sum(), int), np.ones(looked.sum())
    seen = dynamic_occupancy._histories(*visits, found[looked], 4, apart=True)
    theta = np.array([0.7, -1.5, -1.0, 0.1, -0.8, -0.3])
    psi, gained, lost = expit(theta[[0, 3, 4]]), *expit(theta[1:3])
    total = 0.0
    for start in range(3):
        hits, tried = np.zeros((2, (began == start).sum(), 4 - start))
        for at, one in enumerate(np.flatnonzero(began == start)):
            mine = looked & (unit == one)
            hits[at] = np.bincount(year[mine] - start, found[mine], 4 - start)
        tried += 3
        chance = 1 - np.exp(-np.exp(theta[5]))
        total += sum_over_histories(psi[start], gained, lost, chance, hits, tried)
    at = seen.log_likelihood(theta)
    assert at.value == pytest.approx(total)
    slope = approx_fprime(theta, lambda t: seen.log_likelihood(t).value, 1e-6)
    np.testing.assert_allclose(at.gradient, slope, rtol=1e-3, atol=1e-3)


def test_units_that_were_never_seen_again_do_not_change_what_others_became():
    """Found at all 24 sites of 2021; in 2025 at 10 of the 12 looked at again, and 6 of 16 new ones.

    As without the new ones.
    """
    plan = {2021: range(24), 2025: range(12, 40)}
    row, years, _ = visited_by_plan(plan, lambda site, year: year == 2021 or 14 <= site < 30)
    alone = visited_by_plan(
        {2021: range(24), 2025: range(12, 24)}, lambda site, year: year == 2021 or site >= 14
    )[0]
    assert row["yearly_ratio"] == pytest.approx((10 / 12) ** 0.25, abs=0.015)
    assert row["yearly_ratio"] == pytest.approx(alone["yearly_ratio"], abs=0.01)
    assert alone["words"].startswith("Occupancy fell")
    assert "(95 %, 24 units; 12 looked at again tell what units become)" in row["words"]
    assert years["value"].notna().all()


def test_a_share_that_may_have_been_none_sets_no_upper_limit():
    """Not found at any of 14 sites in 2021, at three in 2022: a rise from 0 has no end."""
    plan = {2021: range(14), 2022: range(14)}
    row, years, _ = visited_by_plan(plan, lambda site, year: year == 2022 and site < 3)
    assert years.loc[2021, "value_low"] == 0
    assert np.isnan(row["yearly_ratio_high"])
    assert row["problem"] == "no upper limit: the share of 2021 may be 0"
    assert "% a year upwards (95 %, 14 units)" in row["words"]
    row = {"yearly_ratio": 1.1, "yearly_ratio_low": 0.0, "yearly_ratio_high": np.nan, "units": 14,
           "quantity": "occupancy", "decline_seen": 0.9, "first_year": 2021, "last_year": 2022,
           "from_first": 10}  # fmt: skip
    said = "Occupancy of 10 units looked at in 2021: how it changed is not known (95 %, 10 units; "
    assert _words(row).startswith(f"{said}14 looked at again tell what units become).")


def test_too_few_revisits_for_a_model_still_say_what_became_of_them():
    """Clopper and Pearson (1934): six losses of six changes, 0.025^(1/6) = 54 % to 100 %."""
    plan = {2021: range(12), 2025: range(4, 12)}
    row = visited_by_plan(plan, lambda site, year: year == 2021 or site >= 10)[0]
    assert "fewer than 10 units looked at in two years" in row["problem"]
    assert row["words"].startswith("Of 8 units looked at again 6 lost and 0 gained it")
    assert "54 to 100 % of such changes are losses (95 %)" in row["words"]
    few = visited_by_plan(plan, lambda *_: True)[0]
    assert (few["lost"], few["words"]) == (0, "")


def test_a_fall_at_sites_looked_at_again_is_said_though_the_crew_moves():
    """All sites have it until 2022, one in four from 2024 on."""
    row, years, _ = visited_by_plan(CREW_MOVES, lambda site, year: year < 2023 or site % 4 == 0)
    assert row["lost"] > row["gained"]
    assert row["words"].startswith("Occupancy of 15 units looked at in 2021 fell")
    assert years["value"].notna().all()
    # The fall of these, over the years that it is said of, as the yearly figures have it.
    share = years["value"]
    assert row["yearly_ratio"] == pytest.approx((share[2025] / share[2021]) ** 0.25, abs=1e-9)
    assert row["yearly_ratio_low"] < row["yearly_ratio"] < row["yearly_ratio_high"] < 1


@pytest.mark.parametrize(
    ("in_the_trial", "in_others", "said"),
    [
        # 30 of 50 have it in 2019 and 15 in 2022; one of the ten of the trial.
        (lambda site, _: site == 0, lambda site, year: site % (1 if year < 2021 else 3) == 0,
         "Occupancy of 50 units looked at in 2019 fell"),
        # All ten of the trial have it until 2019, and one in eight of the others, which stays so.
        (lambda site, year: year < 2020 or site % 8 == 0, lambda site, _: site % 8 == 0,
         "Occupancy of 50 units looked at in 2019"),
    ],
)  # fmt: skip
def test_a_few_units_of_a_trial_do_not_stand_for_all(in_the_trial, in_others, said):
    """Ten sites in 2018, and these with 40 others from 2019 on."""
    plan = {2018: range(10)} | dict.fromkeys(range(2019, 2023), range(50))

    def found(site, year):
        return (in_the_trial if site < 10 else in_others)(site, year)

    row, years, _ = visited_by_plan(plan, found)
    assert row["words"].startswith(said)
    assert row["first_year"] == 2019
    assert "told from 2019: only 10 units had been looked at before it" in row["problem"]
    assert np.isnan(years.loc[2018, "value"])
    assert years.loc[2018, ["units", "units_found"]].tolist() == [
        10, sum(found(site, 2018) for site in range(10))]  # fmt: skip
    assert years.loc[2019, ["units", "units_found"]].tolist() == [
        50, sum(found(site, 2019) for site in range(50))]  # fmt: skip
    share = years.loc[2019, "units_found"] / 50
    assert years.loc[2019, "value_low"] < share < years.loc[2019, "value_high"]


def test_gains_and_losses_that_a_ratio_does_not_show_are_said():
    """Of 12 sites of 2021 one has it, always; of 24 more from 2022 on each loses it in 2024."""
    plan = {2021: range(12)} | dict.fromkeys(range(2022, 2026), range(36))
    row, years, _ = visited_by_plan(
        plan, lambda site, year: site == 0 or (site >= 12 and year < 2024)
    )
    assert row["first_year"] == 2021
    assert (row["gained"], row["lost"]) == (0, 24)
    said = "from 2021 on 24 of 36 units lost it and 0 gained it, which the ratio does not show"
    assert said in row["problem"]
    # The figures of a year are of the twelve, and so are the units beside them.
    assert years.loc[2022, ["units", "units_found"]].tolist() == [12, 1]


def test_what_was_lost_before_the_first_year_is_not_held_against_the_ratio():
    """Ten sites have it in 2018 alone; of 40 others every second has it from 2019 on."""
    plan = {2018: range(10)} | dict.fromkeys(range(2019, 2023), range(50))
    row, *_ = visited_by_plan(plan, lambda site, year: year == 2018 if site < 10 else site % 2 == 0)
    assert (row["first_year"], row["gained"], row["lost"]) == (2019, 0, 10)
    assert "lost it" not in row["problem"]


def test_a_year_whose_finds_go_against_the_trend_says_so():
    """Always the same 20 sites: found at 18 of them, at none in 2023, at 18 again."""
    plan = dict.fromkeys(range(2021, 2026), range(20))
    row, years, _ = visited_by_plan(plan, lambda site, year: site < 18 and year != 2023)
    assert row["problem"] == ""
    assert "found in 0 of 20 units, too few" in years.loc[2023, "problem"]
    said = "occupancy of units like those looked at in the first year that has a value, "
    assert (years["value_unit"] == f"{said}by the fitted trend").all()
    steady = visited_by_plan(plan, lambda site, _: site < 18)[1]
    assert (steady["problem"] == "").all()


def test_sites_that_agree_to_the_digit_have_no_interval():
    """Half as many at each of six sites: the jackknife has no spread, which is not certainty."""
    site, year = np.repeat(np.arange(6), 2), np.tile([2020, 2022], 6)
    counts = np.array([8.0, 2, 4, 1, 12, 3] * 2)
    fit = fit_trend(counts, np.ones(12), site, year)
    assert fit.ratio == pytest.approx(0.5)
    assert np.isnan([fit.low, fit.high]).all()
    indices = year_indices(counts, np.ones(12), site, year)
    assert "the interval is not known" in indices[2022][3]
    row = {
        "yearly_ratio": 0.5, "yearly_ratio_low": np.nan, "yearly_ratio_high": np.nan, "units": 6,
        "quantity": "catch_rate", "decline_seen": 0.5, "first_year": 2020, "last_year": 2022,
    }  # fmt: skip
    assert _words(row) == "Catch per effort: -50 % a year, and its interval is not known (6 units)."
