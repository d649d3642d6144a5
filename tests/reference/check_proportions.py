"""Intervals for proportions and cluster-robust rates against statsmodels and SciPy."""

import csv

import numpy as np
import statsmodels.api as sm
from scipy.stats import beta, t
from statsmodels.stats.proportion import proportion_confint

from reference import PUBLISHED, Check, ask


def exact(events, trials, confidence):
    tail = (1 - confidence) / 2
    low = beta.ppf(tail, events, trials - events + 1) if events > 0 else 0.0
    high = beta.isf(tail, events + 1, trials - events) if trials > events else 1.0
    return low, high


check = Check()

for row in ask("proportions"):
    x, n, conf = row["events"], row["trials"], row["confidence"]
    name = f"{x}/{n} at {conf}"
    low, high = proportion_confint(x, n, alpha=1 - conf, method="wilson")
    check.near(f"Wilson low {name}", row["wilson"][0], max(low, 0.0), rel=1e-9, abs_=1e-12)
    check.near(f"Wilson high {name}", row["wilson"][1], min(high, 1.0), rel=1e-9, abs_=1e-12)
    low, high = exact(x, n, conf)
    # 1e-6: the beta quantile beneath was measured to 7e-8 up to 20,000 trials.
    check.near(f"exact low {name}", row["exact"][0], low, rel=1e-6, abs_=1e-14)
    check.near(f"exact high {name}", row["exact"][1], high, rel=1e-6, abs_=1e-14)
    low, high = proportion_confint(x, n, alpha=1 - conf, method="beta")
    check.near(f"exact low {name}, statsmodels", row["exact"][0], low, rel=1e-6, abs_=1e-14)
    check.near(f"exact high {name}, statsmodels", row["exact"][1], high, rel=1e-6, abs_=1e-14)
    for clustered in row["korn_graubard"]:
        # Korn & Graubard 1998, Survey Methodology 24:193-201, as survey packages code it.
        effective = n / clustered["design_effect"]
        if clustered["clusters"]:
            upper = 0.5 + conf / 2
            effective *= (t.ppf(upper, n - 1) / t.ppf(upper, clustered["clusters"] - 1)) ** 2
        effective = min(effective, n)
        low, high = exact(x / n * effective, effective, conf)
        what = f"Korn-Graubard {name} {clustered['design_effect']} {clustered['clusters']}"
        check.near(what + " low", clustered["limits"][0], low, rel=1e-6, abs_=1e-14)
        check.near(what + " high", clustered["limits"][1], high, rel=1e-6, abs_=1e-14)

# Contagious bovine pleuropneumonia: 15 herds as clusters.
with open(PUBLISHED / "cbpp.csv", newline="") as file:
    rows = list(csv.DictReader(file))
y = np.array([int(r["incidence"]) for r in rows])
n = np.array([int(r["size"]) for r in rows])
herd = np.array([int(r["herd"]) for r in rows])
ours = ask("rates", PUBLISHED / "cbpp.csv")
fit = sm.GLM(
    np.column_stack([y, n - y]), np.ones((len(y), 1)), family=sm.families.Binomial()
).fit(cov_type="cluster", cov_kwds={"groups": herd})
p = 1 / (1 + np.exp(-fit.params[0]))
variance = float(np.asarray(fit.cov_params())[0, 0]) * (p * (1 - p)) ** 2
deff = max(1.0, variance * n.sum() / (p * (1 - p)))
check.same("cbpp clusters", ours["clusters"], len(set(herd)))
check.same("cbpp events", ours["events"], int(y.sum()))
check.same("cbpp trials", ours["trials"], int(n.sum()))
check.near("cbpp estimate", ours["estimate"], p, rel=1e-9)
check.near("cbpp robust variance", ours["robust_variance"], variance, rel=1e-8)
check.near("cbpp design effect", ours["design_effect"], deff, rel=1e-8)
# The same variance from the definition, without a model.
residual = np.array([(y - p * n)[herd == h].sum() for h in sorted(set(herd))])
k = len(residual)
by_hand = k / (k - 1) * (residual**2).sum() / n.sum() ** 2
check.near("cbpp robust variance by hand", ours["robust_variance"], by_hand, rel=1e-9)
low, high = proportion_confint(p * n.sum() / deff, n.sum() / deff, method="wilson")
check.same("cbpp method", ours["rate"]["method"], "wilson")
check.near("cbpp low", ours["rate"]["low"], low, rel=1e-8)
check.near("cbpp high", ours["rate"]["high"], high, rel=1e-8)

check.done(at_least=5000)
