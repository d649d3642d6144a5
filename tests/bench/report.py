#!/usr/bin/env python3
"""The weekly report of a five-year book, timed beside the same charts by pandas and matplotlib.

Makes the invented shop's book of 260 weeks (or takes the one in BOOK), times `pourbook report` of its
last whole week, then reads the tables that `pourbook export` wrote and makes the same charts and tables
from them as a capable user would: pandas, statsmodels, matplotlib to inline SVG, Jinja2. Python's
imports are not counted. Its curves are plain: one model, no formal looks, no simultaneous limits, no
second opinion.

    cargo build --release --workspace
    PYTHON tests/bench/report.py [BOOK]
    (packages: tests/reference/requirements.txt, tests/bench/requirements.txt)

POURBOOK_BIN names the built program; else it is looked for in the build folder.
"""

import io
import os
import pathlib
import resource
import subprocess
import sys
import tempfile
import time
import warnings

import jinja2
import matplotlib

matplotlib.use("svg")
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import patsy
import statsmodels.api as sm
from markupsafe import Markup

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
RUNS = 3
PAGE = jinja2.Environment(autoescape=True).from_string(
    """<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>{{ week }}</title></head><body>
<h1>{{ week }}</h1>{% for title, svg in charts %}<h2>{{ title }}</h2>{{ svg }}{% endfor %}
{% for title, table in tables %}<h2>{{ title }}</h2><table><tr>{% for c in table.columns %}<th>{{ c }}</th>
{% endfor %}</tr>{% for row in table.itertuples(index=False) %}<tr>{% for v in row %}<td>{{ v }}</td>
{% endfor %}</tr>{% endfor %}</table>{% endfor %}</body></html>"""
)


def program():
    given = os.environ.get("POURBOOK_BIN")
    target = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target"))
    return str(pathlib.Path(given) if given else target / "release" / "pourbook")


def pourbook(*words):
    """Runs it and says how long that took: by the clock, and of the processor."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    subprocess.run([program(), *map(str, words)], check=True, capture_output=True)
    took = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return took, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def svg_of(figure):
    out = io.StringIO()
    figure.savefig(out, format="svg")
    plt.close(figure)
    return Markup("<svg" + out.getvalue().partition("<svg")[2])


def read(folder):
    """The exported tables joined to one row a flask, as the report sees them."""
    table = lambda name, **more: pd.read_csv(folder / f"{name}.csv", **more)
    when = {"parse_dates": ["poured_at"]}
    pours = table("pours", **when)
    sessions = table("sessions")[["id", "name", "trace"]]
    matches = table("matches").query("ended_at.isna() and confirmed_at.notna()")[["pour", "flask"]]
    lines = table("flask_lines")[["id", "flask", "section"]]
    looks = table("inspections").sort_values("inspected_at").groupby("line").last()
    kinds = table("inspection_counts").pivot(index="inspection", columns="kind", values="pieces")
    flasks = table("flasks")[["id", "label", "alloy", "remelt_percent"]]
    looked = looks.reset_index().merge(kinds, left_on="id", right_index=True, how="left")
    looked = looked.rename(columns={"pieces": "looked_at"}).drop(columns=["id", "note"])
    all_of = (
        pours.drop(columns=["alloy", "id"])
        .assign(pour=pours["id"])
        .merge(sessions.rename(columns={"id": "session"}), on="session")
        .merge(matches, on="pour", how="left")
        .merge(flasks.rename(columns={"id": "flask"}), on="flask", how="left")
        .merge(lines.rename(columns={"id": "line"}), on="flask", how="left")
        .merge(looked, on="line", how="left")
    )
    pulls = table("pulls", parse_dates=["opened_at"])
    parts = table("part_changes", parse_dates=["changed_at"])
    return all_of, pulls, parts, list(kinds.columns)


def curve(of, name):
    """Every flask, the curve with its band, the rug, and what is usual."""
    keep = ["pour_temperature_c", "flask_temperature_c", "vacuum_share", "remelt_percent"]
    rows = of.dropna(subset=[*keep, "looked_at", "defective_steering"])
    figure, axes = plt.subplots(figsize=(7, 3.6))
    rate = rows["defective_steering"] / rows["looked_at"]
    axes.scatter(rows["pour_temperature_c"], rate, s=rows["looked_at"], alpha=0.4)
    axes.plot(rows["pour_temperature_c"], np.full(len(rows), -0.01), "|", ms=5)
    formula = "cr(pour_temperature_c, df=3) + " + " + ".join(keep[1:])
    design = patsy.dmatrix(formula, rows, return_type="dataframe")
    counts = np.column_stack(
        [rows["defective_steering"], rows["looked_at"] - rows["defective_steering"]]
    )
    fit = sm.GLM(counts, design, family=sm.families.Binomial()).fit(
        cov_type="cluster", cov_kwds={"groups": pd.factorize(rows["session"])[0]}
    )
    grid = np.arange(*rows["pour_temperature_c"].quantile([0.05, 0.95]), 1.0)
    middle = rows[keep[1:]].mean()
    at = pd.DataFrame({"pour_temperature_c": grid, **{k: middle[k] for k in keep[1:]}})
    x = np.asarray(patsy.dmatrix(design.design_info, at))
    logit = x @ np.asarray(fit.params)
    spread = 1.96 * np.sqrt(np.einsum("ij,jk,ik->i", x, np.asarray(fit.cov_params()), x))
    p = lambda v: 1.0 / (1.0 + np.exp(-v))
    axes.plot(grid, p(logit))
    axes.fill_between(grid, p(logit - spread), p(logit + spread), alpha=0.2)
    lately = rows["poured_at"] >= rows["poured_at"].max() - pd.Timedelta(weeks=8)
    axes.axvline(rows.loc[lately, "pour_temperature_c"].median(), ls=":")
    axes.set(xlabel="pour temperature [°C]", ylabel="share with a defect", title=name)
    forest, on = plt.subplots(figsize=(7, 2))
    terms = [f for f in keep[1:]]
    odds = fit.params[terms]
    limits = fit.conf_int().loc[terms]
    steps = np.array([10.0, 0.05, 10.0])
    on.errorbar(odds * steps, range(3), xerr=np.abs(limits.sub(odds, axis=0)).T * steps, fmt="o")
    on.set_yticks(range(3), terms)
    on.axvline(0.0)
    return svg_of(figure), svg_of(forest)


def charts_of(rows, pulls, parts, kinds, from_, until, book):
    made = []
    counted = rows.dropna(subset=["looked_at"])
    for (alloy, section), of in counted.groupby(["alloy", "section"]):
        if len(of) >= 60:
            drawn = curve(of, f"{alloy}, {section}")
            made += [(f"{alloy}, {section}", drawn[0]), ("what else matters", drawn[1])]

    figure, axes = plt.subplots(figsize=(7, 4))
    share = [counted[k].sum() / counted.loc[counted[k].notna(), "looked_at"].sum() for k in kinds]
    n = counted["looked_at"].sum()
    axes.errorbar(share, range(len(kinds)), xerr=1.96 * np.sqrt(np.multiply(share, 1) / n), fmt="o")
    axes.set_yticks(range(len(kinds)), kinds)
    made.append(("by kind", svg_of(figure)))

    figure, axes = plt.subplots(figsize=(7, 4))
    pour = pd.cut(counted["pour_temperature_c"], 8)
    flask = pd.cut(counted["flask_temperature_c"], 6)
    grid = counted.groupby([flask, pour], observed=False)[["defective_steering", "looked_at"]].sum()
    rate = (grid["defective_steering"] / grid["looked_at"]).unstack()
    axes.imshow(rate, origin="lower", aspect="auto")
    numbers = grid["looked_at"].unstack()
    for (y, x), value in np.ndenumerate(rate.to_numpy()):
        if np.isfinite(value):
            axes.text(x, y, f"{value:.0%}\n{numbers.iat[y, x]:.0f}", ha="center", fontsize=6)
    made.append(("pour and flask", svg_of(figure)))

    figure, axes = plt.subplots(figsize=(7, 3))
    axes.plot(pulls["opened_at"], pulls["share"], ".", ms=2)
    for at in parts.loc[parts["part"] == "gasket", "changed_at"]:
        axes.axvline(at, lw=0.5)
    made.append(("vacuum", svg_of(figure)))

    figure, axes = plt.subplots(figsize=(7, 3))
    error = (rows["pour_temperature_c"] - rows["target_c"]).dropna()
    sigma = error.diff().abs().mean() / 1.128
    axes.plot(error.to_numpy(), ".-", ms=2, lw=0.3)
    for line in (-3, 0, 3):
        axes.axhline(error.mean() + line * sigma)
    made.append(("pour error", svg_of(figure)))

    figure, axes = plt.subplots(figsize=(7, 3))
    by = counted.groupby("session", sort=False)[["defective_steering", "looked_at"]].sum()
    p, mean = by["defective_steering"] / by["looked_at"], None
    mean = by["defective_steering"].sum() / by["looked_at"].sum()
    se = np.sqrt(mean * (1 - mean) / by["looked_at"])
    z = (p - mean) / se
    laney = z.diff().abs().mean() / 1.128
    axes.plot(p.to_numpy(), ".", ms=2)
    axes.plot(mean + 3 * se.to_numpy() * laney, lw=0.5)
    made.append(("defects", svg_of(figure)))

    figure, axes = plt.subplots(figsize=(7, 3))
    gas = rows.dropna(subset=["cylinder_left_l"])
    axes.plot(gas["poured_at"], gas["cylinder_left_l"], lw=0.7)
    made.append(("gas", svg_of(figure)))

    week = rows[(rows["poured_at"] >= from_) & (rows["poured_at"] < until)].dropna(subset=["trace"])
    figure, grid = plt.subplots(-(-len(week) // 4), 4, figsize=(9, 7), sharex=True, sharey=True)
    traces = {t: pd.read_parquet(book / t) for t in week["trace"].dropna().unique()}
    for axes, (_, row) in zip(grid.flat, week.iterrows()):
        trace = traces[row["trace"]]
        melt = trace[trace["channel"].astype(str) == "melt_temperature"]
        seconds = (melt["time"] - row["poured_at"]).dt.total_seconds()
        near = seconds.between(-120, 60)
        axes.plot(seconds[near], melt["value"][near], lw=0.7)
        axes.set_title(row["label"], fontsize=7)
    made.append(("every pour of the week", svg_of(figure)))
    return made, week


def report(folder, book, from_, until, out):
    rows, pulls, parts, kinds = read(folder)
    rows = rows[rows["poured_at"] < until].sort_values("poured_at")
    pulls = pulls[pulls["opened_at"] < until]
    charts, week = charts_of(rows, pulls, parts, kinds, from_, until, book)
    wanted = ["label", "poured_at", "pour_temperature_c", "flask_temperature_c", "vacuum_share"]
    bad = week[week["defective"].fillna(0) > 0.15 * week["looked_at"].fillna(1)]
    tables = [("flasks", week[wanted]), ("bad flasks", bad[wanted]), ("parts", parts.tail(8))]
    text = PAGE.render(week=str(from_.date()), charts=charts, tables=tables)
    out.write_text(text)
    return len(text), len(rows)


def main():
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as made:
        made = pathlib.Path(made)
        book = pathlib.Path(sys.argv[1]) if len(sys.argv) > 1 else made / "book"
        if len(sys.argv) < 2:
            pourbook("demo", "--weeks", 260, "--book", book)
        pourbook("export", "--book", book, made / "tables")
        poured = pd.read_csv(made / "tables" / "pours.csv", usecols=["poured_at"]).max().iloc[0]
        last = pd.Timestamp(poured)
        monday = (last - pd.Timedelta(days=last.weekday())).normalize()
        week = f"{monday.isocalendar().year}-W{monday.isocalendar().week:02}"
        (book / "reports" / "answers.json").unlink(missing_ok=True)
        best = lambda times: min(times, key=lambda t: t[0])
        first = pourbook("report", "--book", book, "--week", week)
        kept = best([pourbook("report", "--book", book, "--week", week) for _ in range(RUNS)])
        size = (book / "reports" / f"{week}.html").stat().st_size
        theirs = []
        for _ in range(RUNS):
            start, cpu = time.perf_counter(), time.process_time()
            until = monday + pd.Timedelta(weeks=1)
            page, flasks = report(made / "tables", book, monday, until, made / "page.html")
            theirs.append((time.perf_counter() - start, time.process_time() - cpu))
        theirs = best(theirs)
    print(f"{flasks} flasks, report of {week}; seconds by the clock (of the processor)")
    shown = lambda t: f"{t[0]:7.2f} s ({t[1]:6.2f} s)"
    print(f"pourbook, looks kept       {shown(kept)}   {size / 1e3:7.0f} kB")
    print(f"pourbook, looks not kept   {shown(first)}")
    print(f"pandas and matplotlib      {shown(theirs)}   {page / 1e3:7.0f} kB")
    print(f"pandas and matplotlib take {theirs[0] / kept[0]:.1f} times as long", end="")
    print(f" ({theirs[1] / kept[1]:.1f} times the processor)")


if __name__ == "__main__":
    main()
