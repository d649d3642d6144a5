#!/usr/bin/env python3
"""The evidence of a five-year book as a capable user of statsmodels would work it out, timed
beside pourbook's: per alloy a binomial regression with section, a natural spline of the pour
temperature and four other settings, errors clustered by session, and a curve with simultaneous
limits from 999 resamplings of sessions (each fitted anew).

usage: evidence.py EVIDENCE_SPEED     the built example of that name; it makes the flasks too

pourbook's time holds more: up to ten formal looks, each section alone as well, a second model.
"""

import io
import subprocess
import sys
import time

import numpy as np
import pandas as pd
import patsy
import statsmodels.api as sm

DRAWS = 999


def main():
    program = sys.argv[1]
    print(subprocess.run([program], capture_output=True, text=True, check=True).stdout.splitlines()[-1])
    table = pd.read_csv(
        io.StringIO(subprocess.run([program, "--csv"], capture_output=True, text=True, check=True).stdout)
    )
    began = time.perf_counter()
    rng = np.random.default_rng(1)
    for alloy, rows in table.groupby("alloy"):
        x = patsy.dmatrix("C(section) + cr(pour, df=3) + flask + vacuum + seal + remelt", rows)
        design = np.asarray(x)
        # The spline's columns add up to the intercept: the same fit on independent ones.
        keep = np.linalg.svd(design, full_matrices=False)
        design = keep[0][:, keep[1] > 1e-8 * keep[1][0]]
        counts = np.column_stack([rows.bad, rows.pieces - rows.bad])
        sessions = pd.factorize(rows.session)[0]
        fit = sm.GLM(counts, design, family=sm.families.Binomial()).fit(
            cov_type="cluster", cov_kwds={"groups": sessions}
        )
        by_session = [np.flatnonzero(sessions == s) for s in range(sessions.max() + 1)]
        curves = []
        for _ in range(DRAWS):
            picked = rng.integers(0, len(by_session), len(by_session))
            at = np.concatenate([by_session[s] for s in picked])
            again = sm.GLM(counts[at], design[at], family=sm.families.Binomial()).fit(start_params=fit.params)
            curves.append(again.params)
        spread = np.std(curves, axis=0)
        assert np.isfinite(spread).all(), alloy
    took = time.perf_counter() - began
    print(f"{took:.2f} s for {len(table)} flasks of {table.session.nunique()} sessions (statsmodels)")


if __name__ == "__main__":
    main()
