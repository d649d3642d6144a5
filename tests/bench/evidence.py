#!/usr/bin/env python3
"""Times pourbook's evidence on five years of flasks beside the same analysis in statsmodels.

Both get one invented shop (three sections, about 4,000 flasks in 1,300 sessions) and do, for
each section: a binomial logistic model with a restricted cubic spline of the pour temperature
and the other settings as lines, covariance clustered by session, the curve of the rate over the
pour temperature standardised over the section's flasks, its change from the usual temperature,
and limits that hold over the whole curve from 999 bootstrap draws of sessions; then a second
opinion with sessions as clusters in another way (here GEE with exchangeable flasks, there a
beta-binomial with a session random intercept). pourbook does more beside: formal looks and what
they said before, each session left out in turn, kinds of defects.

The bootstrap is written in two ways. "refits" fits the model again for each draw, as most
people would; "scores" perturbs the fitted scores in numpy, as pourbook does.

    cargo build --release --workspace
    PYTHON tests/bench/evidence.py      (packages: tests/reference/requirements.txt)

CALIBRATION_TABLE names the built program; else it is looked for in the build folder.
"""

import json
import os
import pathlib
import subprocess
import sys
import tempfile
import time
import warnings

import numpy as np
import pandas as pd
import patsy
import statsmodels.api as sm

DRAWS = 999
ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
SETTINGS = "flask_temperature_c + vacuum_share + day + remelt_percent + seal_age_pours"


def program():
    given = os.environ.get("CALIBRATION_TABLE")
    target = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target"))
    return pathlib.Path(given) if given else target / "release" / "calibration-table"


def section(flasks, draw):
    """One section's curve, change and simultaneous limits, and the second opinion."""
    pour = flasks["pour_temperature_c"]
    formula = f"cr(pour_temperature_c, df=3) + {SETTINGS}"
    design = patsy.dmatrix(formula, flasks, return_type="dataframe")
    x = design.to_numpy()
    bad = flasks["defective_steering"].to_numpy()
    pieces = flasks["pieces"].to_numpy()
    y = np.column_stack([bad, pieces - bad])
    clusters, sessions = pd.factorize(flasks["session"])
    model = sm.GLM(y, x, family=sm.families.Binomial())
    fit = model.fit(cov_type="cluster", cov_kwds={"groups": clusters})

    usual = pour[flasks["day"] >= flasks["day"].max() - 56].median()
    grid = np.append(np.arange(pour.quantile(0.05), pour.quantile(0.95), 1.0), usual)

    def curve_and_slopes(beta):
        rates, slopes = [], []
        for t in grid:
            at = patsy.dmatrix(design.design_info, flasks.assign(pour_temperature_c=t))
            p = 1.0 / (1.0 + np.exp(-np.asarray(at) @ beta))
            rates.append(p.mean())
            slopes.append((p * (1.0 - p)) @ np.asarray(at) / len(p))
        return np.array(rates), np.array(slopes)

    rates, slopes = curve_and_slopes(fit.params)
    change = rates[:-1] - rates[-1]
    contrasts = slopes[:-1] - slopes[-1]
    errors = np.sqrt(np.einsum("ij,jk,ik->i", contrasts, fit.cov_params(), contrasts))
    draws = draw(model, fit, x, bad, pieces, clusters, len(sessions))
    moved = np.abs(draws @ contrasts.T) / np.maximum(errors, 1e-12)
    limit = np.quantile(moved.max(axis=1), 0.95)
    best = np.argmin(change + limit * errors)

    second = sm.GEE(
        bad / pieces,
        x,
        groups=clusters,
        family=sm.families.Binomial(),
        cov_struct=sm.cov_struct.Exchangeable(),
        weights=pieces,
    ).fit()
    return grid[best], change[best], change[best] + limit * errors[best], second.params


def refits(model, fit, x, bad, pieces, clusters, sessions):
    """Draws of the coefficients' error: sessions drawn with replacement, fitted anew."""
    rng = np.random.default_rng(1)
    y = np.column_stack([bad, pieces - bad])
    out = []
    for _ in range(DRAWS):
        weight = rng.multinomial(sessions, np.full(sessions, 1.0 / sessions))[clusters]
        keep = weight > 0
        again = sm.GLM(
            y[keep], x[keep], family=sm.families.Binomial(), freq_weights=weight[keep]
        ).fit(start_params=fit.params)
        out.append(again.params - fit.params)
    return np.array(out)


def scores(model, fit, x, bad, pieces, clusters, sessions):
    """Draws of the coefficients' error: the sessions' scores with random signs."""
    rng = np.random.default_rng(1)
    p = fit.predict(x)
    by_flask = x * (bad - pieces * p)[:, None]
    by_session = np.zeros((sessions, x.shape[1]))
    np.add.at(by_session, clusters, by_flask)
    inverse = np.linalg.inv(x.T @ (x * (pieces * p * (1.0 - p))[:, None]))
    signs = rng.choice([-1.0, 1.0], size=(DRAWS, sessions))
    return signs @ by_session @ inverse


def analyse(flasks, draw):
    start = time.perf_counter()
    for _, of in flasks.groupby("section"):
        section(of.reset_index(drop=True), draw)
    return time.perf_counter() - start


def main():
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as folder:
        book = pathlib.Path(folder) / "flasks.csv"
        ours = subprocess.run(
            [str(program()), "--speed", "--flasks", str(book)],
            check=True,
            capture_output=True,
            text=True,
        )
        ours = json.loads(ours.stdout)
        flasks = pd.read_csv(book)
    if len(flasks) < 3500:
        sys.exit(f"only {len(flasks)} flasks to compare on")
    print(f"{ours['flasks']} flasks, {ours['sessions']} sessions, {DRAWS} draws")
    print(f"pourbook                      {ours['seconds']:8.2f} s")
    for name, draw in [("refits", refits), ("scores", scores)]:
        took = analyse(flasks, draw)
        ratio = took / ours["seconds"]
        print(f"statsmodels, {name:8}         {took:8.2f} s   {ratio:6.1f} times as long")


if __name__ == "__main__":
    main()
