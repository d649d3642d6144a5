#!/usr/bin/env python3
"""Critical values over a whole curve, by NumPy alone.

The score bootstrap of Kline & Santos (2012) with CR2-adjusted scores, on contagious bovine
pleuropneumonia (Lesnoff et al. 2004; 15 herds): here all 2^15 signs of the herds are gone through,
there 39,999 are drawn, so that quantiles agree but for the luck of the draws (about 0.5 %).
Everything is written out from the definitions with full matrices, none of it as pourbook does.
"""

import itertools

import numpy as np
from reference import PUBLISHED, Check, ask

check = Check()
path = PUBLISHED / "cbpp.csv"
lines = [line for line in path.read_text().splitlines() if not line.startswith("#")][1:]
cells = [line.split(",") for line in lines]
herd = np.array([c[0] for c in cells])
y, n, period = (np.array([float(c[i]) for c in cells]) for i in (1, 2, 3))
x = np.column_stack([np.ones_like(period), period, period**2])

beta = np.zeros(3)
for _ in range(50):
    p = 1 / (1 + np.exp(-x @ beta))
    w = n * p * (1 - p)
    beta = beta + np.linalg.solve(x.T @ (w[:, None] * x), x.T @ (y - n * p))
p = 1 / (1 + np.exp(-x @ beta))
w = n * p * (1 - p)
bread = np.linalg.inv(x.T @ (w[:, None] * x))


def power(m, e):
    values, vectors = np.linalg.eigh(m)
    return vectors @ np.diag(values**e) @ vectors.T


half = power(bread, 0.5)
herds = sorted(set(herd))
scores, shares, adjust = [], [], []
for h in herds:
    at = herd == h
    share = half @ (x[at].T @ (w[at][:, None] * x[at])) @ half
    adjust.append(power(np.eye(3) - share, -0.5))
    shares.append(share)
    scores.append(half @ x[at].T @ (y[at] - n[at] * p[at]))
shares, adjust = np.array(shares), np.array(adjust)
adjusted = np.einsum("sij,sj->si", adjust, np.array(scores))
variance = half @ (adjusted.T @ adjusted) @ half

grid = 1 + 3 * np.arange(12) / 11
points = np.column_stack([np.ones(12), grid, grid**2]) @ half
families = {
    "points": points,
    "changes": np.delete(points - points[2], 2, axis=0),
    "pairs": np.array([points[i] - points[j] for i in range(12) for j in range(i)]),
}
signs = np.array(list(itertools.product((1.0, -1.0), repeat=len(herds))))
found = {name: [] for name in (*families, "falls")}
for block in np.array_split(signs, 64):
    moved = block @ adjusted
    left = block[:, :, None] * adjusted - np.einsum("sij,dj->dsi", shares, moved)
    left = np.einsum("sij,dsj->dsi", adjust, left)
    for name, contrasts in families.items():
        top = moved @ contrasts.T
        below = np.sqrt((np.einsum("dsi,ci->dsc", left, contrasts) ** 2).sum(axis=1))
        t = top / below
        found[name].append(np.abs(t).max(axis=1))
        if name == "changes":
            found["falls"].append((-t).max(axis=1))

ours = ask("curve", path)
for j, se in enumerate(ours["std_errors"]):
    theirs = float(np.sqrt(np.array([1, grid[j], grid[j] ** 2]) @ variance @ np.array([1, grid[j], grid[j] ** 2])))
    check.near(f"standard error at point {j + 1}", se, theirs, rel=1e-8)
for name, draws in found.items():
    draws = np.concatenate(draws)
    for level, mine in zip((0.5, 0.8, 0.9, 0.95), ours[name]):
        check.near(f"{name} at {level}", mine, float(np.quantile(draws, level)), rel=0.03)
check.done(28)
