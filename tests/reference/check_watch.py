"""Differences of rates, sizes of trials, Holm's adjustment, permutation tests and control charts
against statsmodels, SciPy and plain numpy."""

import itertools

import numpy as np
from scipy.stats import norm
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import (
    confint_proportions_2indep,
    power_proportions_2indep,
    proportions_ztest,
)

from reference import Check, ask

check = Check()
ours = ask("watch")

for row in ours["differences"]:
    (x1, n1), (x2, n2), conf = row["first"], row["second"], row["confidence"]
    name = f"{x2}/{n2} - {x1}/{n1} at {conf}"
    low, high = confint_proportions_2indep(
        x2, n2, x1, n1, compare="diff", method="newcomb", alpha=1 - conf
    )
    # Ours stay within -1 and 1, which every difference does.
    check.near(f"Newcombe low {name}", row["limits"][0], max(low, -1.0), rel=1e-9, abs_=1e-12)
    check.near(f"Newcombe high {name}", row["limits"][1], min(high, 1.0), rel=1e-9, abs_=1e-12)
    if 0 < x1 + x2 < n1 + n2:
        _, p = proportions_ztest([x2, x1], [n2, n1])
        check.near(f"pooled score {name}", row["pooled_score_p"], p, rel=1e-8, abs_=1e-14)

for row in ours["sizes"]:
    p1, p2, alpha, power = row["first"], row["second"], row["alpha"], row["power"]
    name = f"{p1} {p2} {alpha} {power}"
    # Fleiss 1981, eq. 3.14, by hand.
    middle = (p1 + p2) / 2
    null, apart = np.sqrt(2 * middle * (1 - middle)), np.sqrt(p1 * (1 - p1) + p2 * (1 - p2))
    n = ((norm.isf(alpha / 2) * null + norm.ppf(power) * apart) / (p1 - p2)) ** 2
    check.near(f"size {name}", row["pieces"], n, rel=1e-9)
    for pieces in (60, 600):
        by_hand = norm.cdf(
            (np.sqrt(pieces) * abs(p1 - p2) - norm.isf(alpha / 2) * null) / apart
        )
        check.near(f"power {name} with {pieces}", row[f"power_with_{pieces}"], by_hand, abs_=1e-9)
        # statsmodels at half the alpha on one side is the same test.
        half = power_proportions_2indep(
            p1 - p2, p2, pieces, ratio=1, alpha=alpha / 2, value=0,
            alternative="larger" if p1 > p2 else "smaller",
        )
        half = float(np.asarray(getattr(half, "power", half)))
        check.near(f"power {name} with {pieces}, statsmodels", by_hand, half, abs_=1e-9)

for row in ours["holm"]:
    theirs = multipletests(row["p"], method="holm")[1]
    for a, b in zip(row["adjusted"], theirs):
        check.near(f"Holm of {len(row['p'])}", a, b, rel=1e-12)

for row in ours["sign_flips"]:
    scores = np.array(row["scores"])
    sums = np.array(list(itertools.product([1, -1], repeat=len(scores)))) @ scores
    p = np.mean(np.abs(sums) >= abs(scores.sum()) - 1e-12)
    check.near(f"sign flips of {len(scores)}", row["p"], p, rel=1e-12)

for row in ours["within_blocks"]:
    values, chosen = np.array(row["values"]), np.array(row["chosen"])
    block = np.array(row["block"])
    choices = []
    for b in sorted(set(row["block"])):
        own = np.flatnonzero(block == b)
        choices.append([sum(values[list(c)]) for c in
                        itertools.combinations(own, int(chosen[own].sum()))])
    sums = np.array([sum(c) for c in itertools.product(*choices)])
    seen = abs(values[chosen].sum() - sums.mean())
    p = np.mean(np.abs(sums - sums.mean()) >= seen - 1e-12)
    check.near(f"within {len(choices)} blocks", row["p"], p, rel=1e-12)

charts = ours["charts"]


def compare(name, chart, value, centre, sd, low, high):
    check.same(f"{name}: points", len(chart["points"]), len(value))
    for i, point in enumerate(chart["points"]):
        theirs = (value[i], centre, sd[i], low[i], high[i])
        for what, a, b in zip(("value", "centre", "sd", "low", "high"), point, theirs):
            check.near(f"{name} {what} {i}", a, b, rel=1e-10, abs_=1e-14)


def signals(value, centre, sd, low, high, rules):
    """Which points complete which pattern, read off again from its words."""
    found = set()
    for side in (1, -1):
        beyond = value > high if side > 0 else value < low
        far = side * (value - centre) / sd > 2
        on_side = side * (value - centre) > 0
        for i in range(len(value)):
            if beyond[i]:
                found.add(("beyond", side, i))
            if i >= 7 and on_side[i - 7 : i + 1].all() and not (i >= 8 and on_side[i - 8]):
                found.add(("eight", side, i))
            if far[i] and not beyond[i]:
                before = [j for j in (i - 1, i - 2) if j >= 0 and far[j]]
                if before and not beyond[before[0]]:
                    found.add(("two of three", side, i))
    return {f for f in found if f[0] in rules}


def told(chart):
    return {(rule, side, to) for rule, side, _, to in chart["signals"]}


d2 = 2 / np.sqrt(np.pi)
every = ("beyond", "eight", "two of three")
x = np.array(charts["values"])
centre = x[:40].mean()
sd = np.abs(np.diff(x[:40])).mean() / d2 * np.ones(len(x))
limits = (centre - 3 * sd, centre + 3 * sd)
compare("individuals", charts["individuals"], x, centre, sd, *limits)
theirs = signals(x, centre, sd, *limits, every)
check.same("individuals: signals", told(charts["individuals"]), theirs)
check.same("individuals: there are signals to compare", len(theirs) > 0, True)

z, past, var = [], 5.0, []
for t, reading in enumerate(x, start=1):
    past = 0.2 * reading + 0.8 * past
    z.append(past)
    var.append(0.2 / 1.8 * (1 - 0.8 ** (2 * t)) + (1 - 0.8**t) ** 2 / 10)
z, sd = np.array(z), 3.0 * np.sqrt(var)
limits = (5.0 - 2.86 * sd, 5.0 + 2.86 * sd)
compare("moving average", charts["ewma"], z, 5.0, sd, *limits)
theirs = signals(z, 5.0, sd, *limits, every[:1])
check.same("moving average: signals", told(charts["ewma"]), theirs)
check.same("moving average: there are signals to compare", len(theirs) > 0, True)

events, pieces = np.array(charts["counts"]).T
p = events / pieces
centre = events[:40].sum() / pieces[:40].sum()
plain = np.sqrt(centre * (1 - centre) / pieces)
sigma_z = np.abs(np.diff(((p - centre) / plain)[:40])).mean() / d2
check.near("p-prime: sigma z", charts["sigma_z"], sigma_z, rel=1e-12)
sd = plain * sigma_z
limits = (np.maximum(centre - 3 * sd, 0), np.minimum(centre + 3 * sd, 1))
compare("p-prime", charts["p_prime"], p, centre, sd, *limits)
theirs = signals(p, centre, sd, *limits, every)
check.same("p-prime: signals", told(charts["p_prime"]), theirs)
check.same("p-prime: there are signals to compare", len(theirs) > 0, True)

# Pieces within flasks once sessions are held equal: one-way residuals by hand.
rows = ours["flask_design_effect"]["rows"]
session = np.array([r[0] for r in rows])
y, n = np.array([r[1] for r in rows], float), np.array([r[2] for r in rows], float)
spread, used = 0.0, np.zeros(len(rows), bool)
for s in sorted(set(session)):
    own = session == s
    k = own.sum()
    if k >= 2:
        used |= own
        residual = y[own] - y[own].sum() / n[own].sum() * n[own]
        spread += k / (k - 1) * (residual**2).sum()
share = y[used].sum() / n[used].sum()
effect = max(1.0, spread / (n[used].sum() * share * (1 - share)))
check.near("likeness within sessions", ours["flask_design_effect"]["design_effect"], effect, rel=1e-12)

check.done(at_least=1500)
