"""The models of defects against statsmodels, SciPy and plain NumPy.

Binomial regression and its session-robust errors by statsmodels and by matrices written out row
by row; the penalised fit by maximising its likelihood with SciPy and searching each limit; the
beta-binomial by digamma functions; sessions' levels integrated on a fine even grid. On published
tables and on a made-up one.
"""

import csv
import json
import tempfile

import numpy as np
import statsmodels.api as sm
from scipy import optimize
from scipy.special import expit, gammaln, psi
from scipy.stats import chi2

from reference import PUBLISHED, Check, ask


def table(name):
    with open(PUBLISHED / f"{name}.csv", newline="") as file:
        return list(csv.DictReader(file))


def number(rows, column):
    return np.array([float(r[column]) for r in rows])


def flag(rows, column, level):
    return np.array([float(r[column] == level) for r in rows])


def question(events, trials, sessions, columns, divided_by=1.0, set_to=(0.0, 1.0)):
    return {
        "events": list(map(float, events)),
        "trials": list(map(float, trials)),
        "sessions": [int(s) for s in sessions],
        "columns": [[n, list(map(float, v))] for n, v in columns],
        "divided_by": divided_by,
        "set_to": list(set_to),
    }


def questions():
    tables = {}
    rows = [r for r in table("orings") if r["nFailures"]]
    tables["orings"] = question(
        number(rows, "nFailures"), [6] * len(rows), range(len(rows)),
        [("temperature", number(rows, "Temperature"))], 1.4, (70.0, 55.0),
    )
    rows = table("beetles")
    tables["beetles"] = question(
        number(rows, "killed"), number(rows, "exposed"), range(len(rows)),
        [("dose", number(rows, "logdose"))], 1.0, (1.75, 1.8),
    )
    rows = table("seeds")
    o75, cucumber = flag(rows, "seed", "O75"), flag(rows, "root", "CUCUMBER")
    tables["seeds"] = question(
        number(rows, "y"), number(rows, "n"), range(len(rows)),
        [("O75", o75), ("cucumber", cucumber), ("both", o75 * cucumber)], 1.9,
    )
    rows = table("rats")
    tables["rats"] = question(
        number(rows, "y"), number(rows, "n"), range(len(rows)),
        [("treated", flag(rows, "group", "TREAT"))], 2.7,
    )
    rows = table("cbpp")
    tables["cbpp"] = question(
        number(rows, "incidence"), number(rows, "size"), number(rows, "herd"),
        [(f"period {p}", flag(rows, "period", p)) for p in "234"], 3.0,
    )
    rows = table("sex2")
    names = ["age", "oc", "vic", "vicl", "vis", "dia"]
    tables["sex2"] = question(
        number(rows, "case"), [1] * len(rows), np.arange(len(rows)) % 40,
        [(n, number(rows, n)) for n in names],
    )
    rows = table("endometrial")
    tables["endometrial"] = question(
        number(rows, "HG"), [1] * len(rows), np.arange(len(rows)) % 20,
        [(n, number(rows, n)) for n in ["NV", "PI", "EH"]],
    )
    # Made up: 70 sessions of one to four flasks, levels of sessions and luck of flasks.
    chance = np.random.default_rng(20)
    session = np.repeat(np.arange(70), chance.integers(1, 5, 70))
    pour = 968 + chance.normal(0, 5, 70)[session] + chance.normal(0, 5, len(session))
    vacuum = chance.normal(85, 2, len(session))
    trials = chance.integers(3, 30, len(session))
    eta = -1.8 + 0.06 * (pour - 968) - 0.1 * (vacuum - 85) + 0.7 * chance.normal(size=70)[session]
    share = expit(eta)
    theta = 0.08
    events = chance.binomial(trials, chance.beta(share / theta, (1 - share) / theta))
    tables["made up"] = question(
        events, trials, session, [("pour", pour), ("vacuum", vacuum)], 2.2, (965.0, 975.0)
    )
    return tables


class Data:
    """A table as arrays, with columns scaled so that SciPy's searches settle; `back` turns scaled
    coefficients into the table's."""

    def __init__(self, q):
        self.y, self.n = np.array(q["events"]), np.array(q["trials"])
        self.session = np.array(q["sessions"])
        raw = [np.array(v) for _, v in q["columns"]]
        self.x = np.column_stack([np.ones(len(self.y)), *raw])
        center = np.array([0.0, *[v.mean() for v in raw]])
        scale = np.array([1.0, *[v.std() for v in raw]])
        self.z = (self.x - center) / scale
        self.z[:, 0] = 1.0
        self.back = np.diag(1 / scale)
        self.back[0, 1:] = -center[1:] / scale[1:]
        self.constant = (
            gammaln(self.n + 1) - gammaln(self.y + 1) - gammaln(self.n - self.y + 1)
        ).sum()
        self.set_to = q["set_to"]

    def widened(self, more):
        wide = np.eye(len(self.back) + more)
        wide[: len(self.back), : len(self.back)] = self.back
        return wide


def jacobian(f, at, h=1e-5):
    """Derivatives by central differences of fourth order."""
    columns = []
    for j in range(len(at)):
        e = np.zeros(len(at))
        e[j] = h
        columns.append((8 * (f(at + e) - f(at - e)) - (f(at + 2 * e) - f(at - 2 * e))) / (12 * h))
    return np.array(columns).T


def glm(check, name, data, ours):
    if "why" in ours:
        check.same(f"{name} glm separates", "separates" in ours["why"], True)
        return None
    both = np.column_stack([data.y, data.n - data.y])
    model = sm.GLM(both, data.x, family=sm.families.Binomial())
    fit = model.fit(tol=1e-13, maxiter=200)
    close = lambda what, o, t, rel=1e-6: check.near(f"{name} glm {what}", o, t, rel=rel)
    p = fit.fittedvalues
    w = data.n * p * (1 - p)
    inverse = data.back @ np.linalg.inv(data.z.T @ (w[:, None] * data.z)) @ data.back.T
    scores = data.x * (data.y - data.n * p)[:, None]
    groups = sorted(set(data.session))
    k = len(groups)
    summed = np.array([scores[data.session == g].sum(0) for g in groups])
    cr0 = inverse @ summed.T @ summed @ inverse
    # CR2 with Satterthwaite's degrees of freedom, all matrices written out.
    half, left = np.sqrt(w)[:, None] * data.z, (data.y - data.n * p) / np.sqrt(w)
    zinverse = np.linalg.inv(half.T @ half)
    hat = np.eye(len(w)) - half @ zinverse @ half.T
    meat, pieces = 0.0, []
    for g in groups:
        rows = np.flatnonzero(data.session == g)
        values, vectors = np.linalg.eigh(hat[np.ix_(rows, rows)])
        keep = values > 1e-9
        adjust = (vectors[:, keep] / np.sqrt(values[keep])) @ vectors[:, keep].T
        part = half[rows].T @ adjust
        score = part @ left[rows]
        meat = meat + np.outer(score, score)
        pieces.append(part @ hat[rows])
    cr2 = data.back @ zinverse @ meat @ zinverse @ data.back.T
    df = []
    for j in range(data.x.shape[1]):
        c = zinverse @ data.back[j]
        q = np.array([c @ piece for piece in pieces])
        cross = q @ q.T
        df.append(np.trace(cross) ** 2 / (cross**2).sum())
    risk = lambda b: [
        np.average(expit(np.column_stack([data.x[:, :1], np.full(len(w), v), data.x[:, 2:]]) @ b),
                   weights=data.n)
        for v in data.set_to
    ]
    differ = lambda b: np.array([risk(b)[1] - risk(b)[0]])
    gradient = (jacobian(lambda g: differ(data.back @ g), np.linalg.solve(data.back, fit.params))
                @ np.linalg.inv(data.back))[0]
    for j, b in enumerate(fit.params):
        close(f"coef {j}", ours["coef"][j], b)
        close(f"plain error {j}", ours["plain"]["std_errors"][j], fit.bse[j])
        close(f"CR2 df {j}", ours["cr2"]["df"][j], df[j], 1e-5)
        for which, matrix in [("cr0", cr0), ("cr1", cr0 * k / (k - 1)), ("cr2", cr2)]:
            close(f"{which} error {j}", ours[which]["std_errors"][j], np.sqrt(matrix[j, j]))
    # statsmodels' own sandwich, which numbers its groups.
    robust = model.fit(
        tol=1e-13, maxiter=200, cov_type="cluster",
        cov_kwds={"groups": data.session, "use_correction": False},
    )
    for j, error in enumerate(robust.bse):
        close(f"CR0 error {j}, statsmodels", ours["cr0"]["std_errors"][j], error, 1e-5)
    close("deviance", ours["deviance"], fit.deviance)
    close("log-likelihood", ours["log_likelihood"], fit.llf)
    close("Pearson", ours["pearson"], fit.pearson_chi2)
    for which, matrix in [("plain", inverse), ("cr0", cr0), ("cr2", cr2)]:
        close(f"{which} difference", ours[which]["difference"]["estimate"],
              differ(fit.params)[0])
        close(f"{which} difference error", ours[which]["difference"]["std_error"],
              np.sqrt(gradient @ matrix @ gradient))
    return np.linalg.solve(data.back, fit.params)


def firth(check, name, data, divided_by, ours):
    y, n, z = data.y / divided_by, data.n / divided_by, data.z
    columns = z.shape[1]

    def value(b, information=False):
        eta = z @ b
        w = n * expit(eta) * expit(-eta)
        matrix = z.T @ (w[:, None] * z)
        fall = -(y @ eta - n @ np.logaddexp(0, eta)) - 0.5 * np.linalg.slogdet(matrix)[1]
        return (fall, matrix) if information else fall

    def score(b):
        eta = z @ b
        p = expit(eta)
        w = n * p * (1 - p)
        inverse = np.linalg.inv(z.T @ (w[:, None] * z))
        leverage = w * np.einsum("ij,jk,ik->i", z, inverse, z)
        return z.T @ (y - n * p + leverage * (0.5 - p))

    def least(start, across):
        """The fall's least value along columns of `across`, from `start`."""
        f = lambda g: value(start + across @ g)
        slope = lambda g: -across.T @ score(start + across @ g)
        found = optimize.minimize(f, np.zeros(across.shape[1]), jac=slope, method="BFGS",
                                  options={"gtol": 1e-9, "maxiter": 2000})
        polished = optimize.root(slope, found.x, tol=1e-13)
        good = polished.x if f(polished.x) <= found.fun + 1e-9 else found.x
        return start + across @ good

    top = least(np.zeros(columns), np.eye(columns))
    fall, matrix = value(top, information=True)
    inverse = data.back @ np.linalg.inv(matrix) @ data.back.T
    coef = data.back @ top
    divided = (
        gammaln(n + 1) - gammaln(y + 1) - gammaln(n - y + 1)
    ).sum()
    turn = np.log(np.abs(np.linalg.det(data.back)))
    check.near(f"{name} firth likelihood", ours["penalised"], -fall + divided - turn, rel=1e-8)

    def held(contrast, at, start):
        # Held by a basis of what is at right angles to it.
        c = data.back.T @ contrast
        across = np.linalg.svd(c[None, :])[2][1:].T
        begin = start + c * (at - c @ start) / (c @ c)
        return least(begin, across)

    def limits(contrast, confidence):
        centre = contrast @ coef
        error = np.sqrt(contrast @ inverse @ contrast)
        quantile = chi2.ppf(confidence, 1)
        answer = []
        for side in (-1, 1):
            def over(reach):
                return 2 * (value(held(contrast, centre + side * reach * error, top)) - fall) - quantile
            high = 2.0
            while over(high) < 0:
                high *= 1.5
            answer.append(centre + side * error * optimize.brentq(over, 1e-3, high, xtol=1e-11))
        return answer

    for j in range(columns):
        e = np.eye(columns)[j]
        mine = ours["estimates"][j]
        what = f"{name} firth {j}"
        check.near(f"{what} coef", mine["estimate"], coef[j], rel=1e-6, abs_=1e-9)
        check.near(f"{what} error", mine["std_error"], np.sqrt(inverse[j, j]), rel=1e-6)
        low, high = limits(e, 0.95)
        scale = np.sqrt(inverse[j, j])
        check.near(f"{what} low", mine["low"], low, abs_=3e-6 * scale)
        check.near(f"{what} high", mine["high"], high, abs_=3e-6 * scale)
        statistic = max(2 * (value(held(e, 0.0, top)) - fall), 0.0)
        check.near(f"{what} statistic", abs(mine["statistic"]), np.sqrt(statistic), rel=1e-5, abs_=1e-6)
        check.near(f"{what} p", mine["p"], chi2.sf(statistic, 1), rel=1e-5, abs_=1e-9)
    # FLIC: the intercept by maximum likelihood with the rest as an offset.
    rest = data.x[:, 1:] @ coef[1:]
    flic = optimize.brentq(lambda a: y.sum() - n @ expit(a + rest), -2000, 2000, xtol=1e-12)
    check.near(f"{name} firth FLIC", ours["risk_coef"][0], flic, rel=1e-7, abs_=1e-8)
    row = data.x[0]
    low, high = limits(row, 0.9)
    moved = flic - coef[0]
    for what, linear in [("risk", row @ coef), ("low", low), ("high", high)]:
        check.near(f"{name} firth first row {what}", ours["first_row"][what],
                   expit(linear + moved), rel=1e-5, abs_=1e-9)


def row_parts(y, n, eta, ln_theta):
    """Log-likelihood of a flask with derivatives in η and ln θ, by gamma and digamma functions."""
    if ln_theta is None:
        mu = expit(eta)
        return y * eta - n * np.logaddexp(0, eta), y - n * mu, 0 * eta
    mu = expit(eta)
    nu = 1 - mu
    theta = np.exp(ln_theta)
    a, b, s = mu / theta, nu / theta, 1 / theta
    value = (gammaln(y + a) - gammaln(a) + gammaln(n - y + b) - gammaln(b)
             - gammaln(n + s) + gammaln(s))
    da, db = psi(y + a) - psi(a), psi(n - y + b) - psi(b)
    ds = psi(n + s) - psi(s)
    return value, mu * nu / theta * (da - db), -(a * da + b * db - s * ds)


GRID = np.linspace(-9, 9, 3601)
NORMAL = -0.5 * GRID**2 - 0.5 * np.log(2 * np.pi) + np.log(GRID[1] - GRID[0])


class Levels:
    """Log-likelihood and score of (coefficients, ln σ if sd, ln θ if theta)."""

    def __init__(self, data, sd, theta):
        self.data, self.sd, self.theta = data, sd, theta

    def parts(self, at):
        d = self.data
        p = d.z.shape[1]
        sigma = np.exp(at[p]) if self.sd else 0.0
        ln_theta = at[-1] if self.theta else None
        grid, normal = (GRID, NORMAL) if self.sd else (np.zeros(1), np.zeros(1))
        eta = (d.z @ at[:p])[:, None] + sigma * grid
        value, slope, by_theta = row_parts(d.y[:, None], d.n[:, None], eta, ln_theta)
        total, score = d.constant, np.zeros(len(at))
        for g in set(d.session) if self.sd else [None]:
            rows = d.session == g if self.sd else slice(None)
            joint = value[rows].sum(0) + normal
            most = joint.max()
            share = np.exp(joint - most)
            total += most + np.log(share.sum())
            share /= share.sum()
            score[:p] += d.z[rows].T @ (slope[rows] @ share)
            if self.sd:
                score[p] += (slope[rows] * sigma * grid).sum(0) @ share
            if self.theta:
                score[-1] += by_theta[rows].sum(0) @ share
        return total, score

    def top(self, start):
        found = optimize.minimize(
            lambda at: tuple(-v for v in self.parts(at)), start, jac=True, method="BFGS",
            options={"gtol": 1e-7, "maxiter": 500},
        )
        polished = optimize.root(lambda at: self.parts(at)[1], found.x, tol=1e-13)
        return polished.x if np.abs(polished.x - found.x).max() < 1e-2 else found.x


def spread(check, name, data, ours, sd, theta, start):
    """A fit with spreads; where ours says that one is 0, that the likelihood falls from there."""
    if "why" in ours:
        check.same(f"{name} separates", "separates" in ours["why"], True)
        return
    has = (sd and ours["session_sd"] > 0, theta and ours["theta"] > 0)
    model = Levels(data, *has)
    p = data.z.shape[1]
    top = model.top(np.concatenate([start, [np.log(0.5)] * has[0], [np.log(0.05)] * has[1]]))
    back = data.widened(sum(has))
    covariance = back @ np.linalg.inv(-jacobian(lambda at: model.parts(at)[1], top, 1e-4)) @ back.T
    parameters = back @ top
    for j, (b, v) in enumerate(zip(parameters, np.diag(covariance), strict=True)):
        check.near(f"{name} parameter {j}", ours["parameters"][j], b, rel=1e-6, abs_=1e-6 * np.sqrt(v))
        check.near(f"{name} error {j}", ours["std_errors"][j], np.sqrt(v), rel=2e-6)
    check.near(f"{name} log-likelihood", ours["log_likelihood"], model.parts(top)[0], rel=1e-8)
    grouped = any((data.session == g).sum() > 1 for g in set(data.session))
    for j, (asked, got) in enumerate([(sd, has[0]), (theta, has[1])]):
        # Both spreads of a flask a session are one; ours keeps the session's, and says so.
        if asked and not got and (grouped or not (sd and theta)):
            wider = Levels(data, has[0] or j == 0, has[1] or j == 1)
            at = np.insert(top, p if j == 0 else len(top), np.log(0.02 if j == 0 else 1e-4))
            check.same(f"{name} falls from 0", wider.parts(at)[1][p if j == 0 else -1] <= 1e-6, True)
    if "difference" not in ours:
        return
    x = [np.column_stack([data.x[:, :1], np.full(len(data.y), v), data.x[:, 2:]]) for v in data.set_to]

    def differ(at):
        b = back @ at
        sigma = np.exp(at[p]) if has[0] else 0.0
        weight = np.exp(NORMAL)
        risk = [
            np.average(expit((m @ b[:p])[:, None] + sigma * GRID) @ weight, weights=data.n) for m in x
        ]
        return np.array([risk[1] - risk[0]])

    gradient = jacobian(differ, top)[0]
    error = np.sqrt(gradient @ np.linalg.inv(back) @ covariance @ np.linalg.inv(back).T @ gradient)
    check.near(f"{name} difference", ours["difference"]["estimate"], differ(top)[0], rel=3e-6)
    check.near(f"{name} difference error", ours["difference"]["std_error"], error, rel=3e-6)


def splines(check, asked, answers):
    """Truncated cubes that are straight beyond the outer knots, by their definition: the divided
    differences that natural splines are made of, in another form than the one checked."""
    for question_, bases in zip(asked, answers, strict=True):
        knots = np.array(question_["knots"])
        first, before, last = knots[0], knots[-2], knots[-1]
        cube = lambda x, k: max(x - k, 0.0) ** 3
        d = lambda x, k: (cube(x, k) - cube(x, last)) / (last - k)
        for x, basis in zip(question_["values"], bases, strict=True):
            check.near(f"spline {x} line", basis[0], x, rel=1e-15)
            for j, knot in enumerate(knots[:-2]):
                # (tk - tj) (d_j - d_{k-1}), over the square of the range.
                theirs = (last - knot) * (d(x, knot) - d(x, before)) / (last - first) ** 2
                check.near(f"spline {x} {j}", basis[j + 1], theirs, rel=1e-9, abs_=1e-9)


def main():
    check = Check()
    tables = questions()
    asked_splines = [
        {"knots": knots, "values": list(np.linspace(knots[0] - 15, knots[-1] + 15, 41))}
        for knots in ([950.0, 965.0, 980.0], [948.0, 961.5, 970.0, 988.0])
    ]
    with tempfile.NamedTemporaryFile("w", suffix=".json") as file:
        json.dump({"tables": list(tables.values()), "splines": asked_splines}, file)
        file.flush()
        answers = ask("models", file.name)
    splines(check, asked_splines, answers["splines"])
    for (name, asked), ours in zip(tables.items(), answers["tables"], strict=True):
        data = Data(asked)
        start = glm(check, name, data, ours["glm"])
        firth(check, name, data, asked["divided_by"], ours["firth"])
        start = np.zeros(data.z.shape[1]) if start is None else start
        for which, sd, theta in [
            ("beta_binomial", False, True),
            ("session_binomial", True, False),
            ("session_beta_binomial", True, True),
        ]:
            spread(check, f"{name} {which}", data, ours[which], sd, theta, start)
    check.done(at_least=500)


main()
